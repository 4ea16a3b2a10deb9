"""Damaged takes of every format: a result or one line, and the take as it was.

``python benchmarks/fuzz.py`` does the same with tens of thousands of inputs.
"""

import sys
from pathlib import Path

import pytest

from sample_generators.damage import FORMATS, make_corpus, mutant
from sample_generators.damage.structure import structure_of

SEED, N_INPUTS, N_COMMANDS = 20, 500, 21
COMMANDS = ("find TAKE --json --out OUT", "trim TAKE --out OUT", "slate TAKE")


@pytest.fixture(scope="module")
def trials():
    """The runner of the benchmark: each input in a process that may die of it."""
    sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
    try:
        import trials

        yield trials
    finally:
        sys.path.pop(0)


@pytest.fixture(scope="module")
def corpus(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SVT_LOG", "0")
        return make_corpus(tmp_path_factory.mktemp("corpus"))


def failures(trials, inputs):
    """Inputs that came to what none may come to."""
    return [trial for trial in trials.tried(inputs) if trial.outcome in trials.FAULTS]


def test_whole_takes_are_read(trials, corpus):
    whole = [(k, trials.Mutant(one, "nothing"), "find") for k, one in enumerate(corpus)]
    done = list(trials.tried(whole))
    assert {trial.outcome for trial in done} == {"clean"}
    assert len(done) == len(FORMATS)


def test_damaged_takes(trials, corpus, monkeypatch):
    monkeypatch.setenv("FLASHPAN_DECODER_THREADS", "1")
    inputs = ((k, mutant(corpus, SEED, k), "find") for k in range(N_INPUTS))
    assert failures(trials, inputs) == []


def test_damaged_takes_on_the_command_line(trials, corpus, monkeypatch):
    monkeypatch.setenv("FLASHPAN_DECODER_THREADS", "1")
    inputs = (
        (k, mutant(corpus, SEED + 1, 3 * k), COMMANDS[k % len(COMMANDS)]) for k in range(N_COMMANDS)
    )
    assert failures(trials, inputs) == []


def test_a_campaign_can_be_repeated(corpus):
    for number in range(0, 200, 7):
        one, again = mutant(corpus, 3, number), mutant(corpus, 3, number)
        assert one == again
    damaged = [mutant(corpus, 3, number).specimen for number in range(200)]
    assert sum(one.data != corpus[k % len(corpus)].data for k, one in enumerate(damaged)) > 150


@pytest.mark.parametrize("name", ["mp4-h264", "avi-mjpeg", "mkv-ffv1", "pages", "stills-png8"])
def test_headers_are_known_well_enough_to_lie_in(corpus, name):
    specimen = next(one for one in corpus if one.format == name)
    structure = structure_of(specimen.data, specimen.family)
    assert len(structure.fields) >= 5
    assert all(0 < part < len(specimen.data) for part in structure.parts)


def test_the_runner_tells_what_an_input_did(trials, corpus, monkeypatch):
    """A hang, a crash, memory without end and a fault are put down to their input."""
    monkeypatch.setattr(trials, "_found", _misbehave)
    take = next(one for one in corpus if one.format == "npy")
    ways = ("well", "hang", "crash", "well", "swell", "fault", "write", "well")
    inputs = [(k, trials.Mutant(take, way), "find") for k, way in enumerate(ways)]
    done = list(trials.tried(inputs, trials.Limits(seconds=1.0, memory_bytes=1 << 28)))
    assert [trial.number for trial in done] == list(range(len(ways)))
    assert [trial.outcome for trial in done] == [
        *("clean", "hang", "signal", "clean", "memory", "traceback", "source changed", "clean")
    ]
    assert "signal 11" in done[2].text


def _misbehave(laid):
    import faulthandler
    import os
    import signal
    import time

    way = laid.mutant.how
    if way == "hang":
        time.sleep(30)
    if way == "crash":
        faulthandler.disable()  # it is meant to, and need not say so
        os.kill(os.getpid(), signal.SIGSEGV)
    if way == "swell":
        bytearray(1 << 29)
    if way == "fault":
        raise TypeError("nobody expected this")
    if way == "write":
        laid.take.write_bytes(b"")
    return "clean", ""

"""A disk that fills up at any write, and power that goes at any of them.

Two ways, since each sees what the other does not: operations of Python are made to fail one after
the other, by an audit hook in a process of its own; and a real small disk is given a little more
room each time, so that containers and SQLite meet its end, too.
"""

import errno
import os
import shutil

import pytest
from faultlab import DIE, QUICK, TAKE_NO_SPACE, Injected, broken_rules, crammed, hashes, lasting

IS_LONG = os.environ.get("FLASHPAN_LONG_TESTS") == "1"
STRIDE = 1 if IS_LONG else 37
"""Every so many operations one is tried; 1 tries all of them."""

COMMANDS = {
    "find": lambda card, out: ["find", card / "a.npy", "--out", out, "--trace"],
    "trim": lambda card, out: ["trim", card / "a.npy", card / "b.mov", "--out", out, *QUICK],
    "ingest": lambda card, out: [
        *("ingest", card, "--to", out, "--engine", "inline", "--no-sheets"),
        *QUICK,
    ],
    "sheet": lambda card, out: ["sheet", card / "a.npy", "--out", out],
    "flag": lambda card, out: ["flag", card, "--apply", out, *QUICK],
}


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """What undisturbed commands leave, and what they did for it; by command."""
    return {}


@pytest.fixture
def undisturbed(results, card, end_of, tmp_path):
    def give(name):
        if name not in results:
            out = tmp_path / "undisturbed"
            ended = end_of(*COMMANDS[name](card, out), fault=Injected(str(out)))
            assert ended.status == 0, ended.said
            results[name] = (lasting(out), ended.did)
        return results[name]

    return give


def tried(did, offset):
    """Numbers of operations to try: every so many."""
    return range(offset % STRIDE, len(did), STRIDE)


def require_whole(out):
    assert broken_rules(out) == []


@pytest.mark.parametrize("name", COMMANDS)
def test_full_at_any_write(name, card, end_of, undisturbed, tmp_path):
    wanted, did = undisturbed(name)
    before = hashes(card)
    for at in tried(did, len(name)):
        if did[at].split()[0] in TAKE_NO_SPACE:
            continue
        out = tmp_path / f"full{at}"
        fault = Injected(str(out), at=at, error=errno.ENOSPC, lasts=True)
        ended = end_of(*COMMANDS[name](card, out), fault=fault)
        lenient = any(word in did[at] for word in MAY_FAIL)
        assert ended.status == (0 if lenient else 3), (did[at], ended.said)
        assert lenient or "No space left" in ended.line or "disk is full" in ended.line
        require_whole(out)
        again = end_of(*COMMANDS[name](card, out))
        assert again.status == 0, (did[at], again.said)
        assert lasting(out) == wanted, did[at]
        assert list(out.rglob(".flashpan-*")) == []
        shutil.rmtree(out)
    assert hashes(card) == before


MAY_FAIL = ("night.txt", "night.csv", "night.json", "night.sheet", ".part.txt", ".part.csv")
"""The report beside the catalog, and its sheet: the catalog has it all."""


@pytest.mark.parametrize("name", ["find", "trim", "ingest"])
def test_power_goes_before_any_write(name, card, end_of, undisturbed, tmp_path):
    wanted, did = undisturbed(name)
    before = hashes(card)
    for at in tried(did, len(name) + 3):
        out = tmp_path / f"dark{at}"
        ended = end_of(*COMMANDS[name](card, out), fault=Injected(str(out), at=at, error=DIE))
        assert ended.status == -9, did[at]
        if out.exists():
            require_whole(out)
        again = end_of(*COMMANDS[name](card, out), *OVER.get(name, ()))
        assert again.status == 0, (did[at], again.said)
        assert lasting(out) == wanted, did[at]
        assert list(out.rglob(".flashpan-*")) == []
    assert hashes(card) == before


OVER = {"find": ["--overwrite"]}


def test_power_goes_between_the_names_of_a_sheet(card, end_of, undisturbed, tmp_path):
    """The names of its files are given one after the other: that of the first page is the last."""
    wanted, did = undisturbed("sheet")
    named = [at for at, one in enumerate(did) if one.startswith("os.link ")]
    for at in range(named[0], len(did)) if IS_LONG else named:
        out = tmp_path / f"dark{at}"
        ended = end_of(*COMMANDS["sheet"](card, out), fault=Injected(str(out), at=at, error=DIE))
        assert ended.status == -9, did[at]
        require_whole(out)
        is_whole = (out / "a.sheet.png").exists()
        assert not is_whole or lasting(out) == wanted, did[at]
        again = end_of(*COMMANDS["sheet"](card, out))
        assert again.status == (3 if is_whole else 0), (did[at], again.said)
        assert lasting(out) == wanted, did[at]
        assert list(out.rglob(".flashpan-*")) == []


@pytest.mark.parametrize("error", [errno.EIO, errno.EACCES, errno.EROFS])
def test_any_write_that_fails_once(error, card, end_of, undisturbed, tmp_path):
    wanted, did = undisturbed("ingest")
    for at in tried(did, error):
        out = tmp_path / f"once{at}"
        ended = end_of(*COMMANDS["ingest"](card, out), fault=Injected(str(out), at=at, error=error))
        assert ended.status in (0, 3), (did[at], ended.said)
        assert ended.line or not ended.status
        require_whole(out)
        again = end_of(*COMMANDS["ingest"](card, out))
        assert again.status == 0, (did[at], again.said)
        assert lasting(out) == wanted, did[at]


STEP_KIB = {"trim": 12, "ingest": 60}


@pytest.mark.parametrize("name", ["trim", "ingest"])
def test_a_real_disk_that_is_full_a_little_later_each_time(name, card, end_of, undisturbed, disk):
    wanted, _ = undisturbed(name)
    out, n_full = disk.folder / "out", 0
    for n_kib in range(4, 800, 4 if IS_LONG else STEP_KIB[name]):
        disk.resize(n_kib * 1024)
        ended = end_of(*COMMANDS[name](card, out), work=crammed)
        assert ended.status in (0, 3), ended.said
        if ended.status == 3:
            n_full += 1
            assert any(word in ended.line for word in ("full", "space", "disk")), ended.line
            if out.exists():
                disk.resize(disk.most_bytes)  # looking into a catalog takes room, too
                require_whole(out)
        disk.resize(disk.most_bytes)
        again = end_of(*COMMANDS[name](card, out))
        assert again.status == 0, (n_kib, again.said)
        assert lasting(out) == wanted, n_kib
        disk.clear()
        if ended.status == 0:
            break
    assert n_full >= 2

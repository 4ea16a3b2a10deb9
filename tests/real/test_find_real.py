"""What an operator is owed on real takes; every expectation comes from `truth`."""

import json
import subprocess
import sysconfig
from functools import cache
from pathlib import Path

import pytest
import truth

pytestmark = pytest.mark.real

# The takes last seconds: with the default rolls and gap nearly every frame would be kept.
CLOSE_ROLL_FRAMES = 2
CLOSE = (
    f"--pre-roll={CLOSE_ROLL_FRAMES}",
    f"--post-roll={CLOSE_ROLL_FRAMES}",
    "--merge-gap=3",
)


@cache
def event_log(path, options):
    """The event log that the installed command prints."""
    command = Path(sysconfig.get_path("scripts")) / "flashpan"
    done = subprocess.run(
        [command, "find", path, "--json", *options], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.fixture
def find(footage):
    def find_in(take, *options, roi=""):
        where = (f"--roi={roi}",) if roi else ()
        return event_log(footage(take.parcel), (*options, *where))

    return find_in


def spans(log):
    """Every event as (onset, peak, end): what a failure shows."""
    return [(event["onset"], event["peak"], event["end"]) for event in log["events"]]


def kept_frames(log):
    return {n for kept in log["ranges"] for n in range(kept["first"], kept["last"] + 1)}


def marks_of(take):
    return [pytest.mark.slow] if take.is_large else []


def cases(kind, wanted=lambda label: True):
    """One parameter set per label of a kind."""
    return [
        pytest.param(take, label, id=f"{take.name}-{label}", marks=marks_of(take))
        for take in truth.TAKES
        for label in getattr(take, kind)
        if wanted(label)
    ]


@pytest.mark.parametrize(
    "take", [pytest.param(take, id=take.name, marks=marks_of(take)) for take in truth.TAKES]
)
def test_every_frame_that_decodes_is_counted_and_no_more(find, take):
    assert find(take)["take"]["frames"] == take.n_frames


@pytest.mark.parametrize(("take", "onset"), cases("onsets"))
def test_an_onset_is_found_to_the_frame(find, take, onset):
    log = find(take, *CLOSE, roi=onset.roi)
    found = [first for first, _, _ in spans(log)]
    assert any(onset.earliest <= first <= onset.latest for first in found), spans(log)


@pytest.mark.parametrize("options", [(), CLOSE], ids=["defaults", "close"])
@pytest.mark.parametrize(("take", "moment"), cases("moments"))
def test_what_happens_amid_action_is_kept(find, take, moment, options):
    log = find(take, *options)
    lost = set(range(moment.first, moment.last + 1)) - kept_frames(log)
    assert not lost, spans(log)


@pytest.mark.parametrize(("take", "cut"), cases("cuts", lambda cut: cut.stands_out))
def test_a_cut_is_found_at_its_frame(find, take, cut):
    log = find(take, *CLOSE, f"--first={cut.first}", f"--last={cut.last}")
    assert any(cut.frame in (onset, peak) for onset, peak, _ in spans(log)), spans(log)


@pytest.mark.parametrize(("take", "cut"), cases("cuts"))
def test_a_cut_is_kept(find, take, cut):
    assert {cut.frame - 1, cut.frame} <= kept_frames(find(take)), spans(find(take))


@pytest.mark.parametrize(("take", "idle"), cases("idle"))
def test_idle_frames_are_not_kept(find, take, idle):
    log = find(take, *CLOSE, roi=idle.roi)
    # rolls and one frame of leeway on both sides belong to the action before and after
    margin = CLOSE_ROLL_FRAMES + 1
    first = idle.first + margin if idle.first else 0
    kept = kept_frames(log) & set(range(first, idle.last - margin + 1))
    assert not kept, spans(log)


@pytest.mark.parametrize(("take", "quiet"), cases("quiet"))
def test_nothing_is_found_where_nothing_happens(find, take, quiet):
    log = find(take, f"--last={quiet.last}", roi=quiet.roi)
    assert spans(log) == []

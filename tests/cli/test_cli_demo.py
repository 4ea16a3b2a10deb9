from types import SimpleNamespace

import pytest

from flashpan.demo import compare, format_comparison, make_demo_take
from flashpan.errors import TakeError
from flashpan.model import Event, Region, TrimRange


def planted(onset, end, visible_from=None):
    return SimpleNamespace(onset=onset, end=end, visible_from=visible_from, kind="flash")


def found(onset, end):
    return Event(
        onset=onset,
        peak=onset,
        end=end,
        kind="flash",
        detector="brightness",
        strength=9.0,
        box=Region(0, 0, 1, 1),
        chance=0.0,
    )


def a_log(events, ranges):
    return SimpleNamespace(events=events, ranges=[TrimRange(*part, ()) for part in ranges])


class TestCompare:
    def test_right(self):
        comparison = compare([planted(10, 20, 12)], a_log([found(11, 25)], [(5, 30)]))
        assert comparison.is_right
        assert (comparison.planted_frames, comparison.kept_frames) == (11, 11)
        assert "Verdict: what was planted was found." in format_comparison(comparison)
        assert " right\n" in format_comparison(comparison)

    @pytest.mark.parametrize(
        ("events", "ranges", "said"),
        [
            ([], [], "MISSED"),
            ([found(30, 40)], [(30, 40)], "nothing            flash 30-40"),
            ([found(10, 20), found(40, 41)], [(0, 50)], "1 events were found where nothing"),
            ([found(10, 20)], [(11, 20)], "10 of 11 planted frames are kept"),
        ],
        ids=["missed", "elsewhere", "too many", "cut too short"],
    )
    def test_wrong(self, events, ranges, said):
        comparison = compare([planted(10, 20)], a_log(events, ranges))
        assert not comparison.is_right
        assert said in format_comparison(comparison)
        assert "Verdict: NOT" in format_comparison(comparison)

    @pytest.mark.parametrize(
        ("onset", "said"),
        [(8, "2 frames early"), (10, "right"), (12, "right"), (15, "3 frames late")],
    )
    def test_onsets_are_held_against_what_noise_lets_show(self, onset, said):
        comparison = compare([planted(10, 20, 12)], a_log([found(onset, 20)], [(0, 30)]))
        assert said in format_comparison(comparison)


def test_never_overwrites_a_take(tmp_path):
    (tmp_path / "invented-storm.mkv").touch()
    with pytest.raises(TakeError, match="exists already"):
        make_demo_take(tmp_path, 1)


@pytest.mark.slow
def test_demo_finds_what_it_planted_and_says_that_it_is_invented(run, tmp_path):
    status, out, err = run("demo", "--keep", tmp_path / "samples")
    assert status == 0, out
    assert out.startswith("This take is INVENTED")
    assert "Verdict: what was planted was found." in out
    assert "Caution: Real lightning kills" in out
    assert err == f"flashpan: kept {tmp_path / 'samples' / 'invented-storm.mkv'}\n"

"""Cut lists: frame-exact through the OpenTimelineIO library and its CMX 3600 adapter."""

import csv
import random
import re
from fractions import Fraction

import opentimelineio as otio
import pytest
from handoff_fixtures import COUNTINGS, RATES, night_of, put_take

from flashpan.errors import CatalogError, SettingsError, UsageError
from flashpan.handoff import edl
from flashpan.handoff.labels import label_of
from flashpan.handoff.markers import MARKER_COLUMNS
from flashpan.handoff.night import hand_off
from flashpan.night.catalog import Catalog
from flashpan.night.reviewbook import ReviewBook

RANGES = [(40, 69), (1790, 1810), (17_970, 17_990)]


def clips_of(path, **more):
    made = otio.adapters.read_from_file(str(path), **more)
    return list(made.find_clips())


def spans(clips):
    """Start and length of each source range, in frames."""
    return [
        (clip.source_range.start_time.to_frames(), clip.source_range.duration.to_frames())
        for clip in clips
    ]


@pytest.fixture
def night(tmp_path):
    return night_of(tmp_path / "night", ("storm", RANGES))


@pytest.mark.parametrize(("name", "drop"), COUNTINGS)
def test_frame_exact_after_a_round_trip(tmp_path, name, drop):
    """Source and record, through JSON and through the EDL, at every rate that is cut at."""
    rate, draw = RATES[name], random.Random(name)
    starts = [*(first for first, _ in RANGES), *(draw.randrange(20_000, 10**6) for _ in range(9))]
    ranges = [(first, first + draw.randrange(400)) for first in sorted(starts)]
    day_start = 3 * 3600 * round(rate)
    dest = night_of(
        tmp_path / "night",
        *[(f"take{k}", ranges[k::3]) for k in range(3)],
        rate=str(rate),
        frames=2 * 10**6,
        timecode=lambda frame: label_of(day_start + frame, rate, drop=drop),
        head=3,
    )
    done = hand_off(dest, drop=drop)
    (cut_list,) = done.cut_lists
    asked = [(cut.kept.kept.first, cut.kept.kept.last) for cut in cut_list.cuts]
    wanted = [(day_start + first, last - first + 1) for first, last in asked]
    folder = dest / "night.handoff"
    assert spans(clips_of(folder / "cutlist.otio")) == wanted
    edited = clips_of(folder / "cutlist.edl", rate=float(rate))
    assert spans(edited) == wanted
    text = (folder / "cutlist.edl").read_text()
    assert f"FCM: {'' if drop else 'NON-'}DROP FRAME\n" in text
    _hold_events_against_labels(text, wanted, rate, drop)


def _hold_events_against_labels(text, wanted, rate, drop):
    """Every event line, column by column: outs are one frame beyond the last."""
    record = 3600 * round(rate) - (108 if drop else 0) * (round(rate) // 30)
    lines = [line for line in text.splitlines() if re.match(r"\d{3}  ", line)]
    for number, (line, (start, length)) in enumerate(zip(lines, wanted, strict=True), start=1):
        ends = (start, start + length, record, record + length)
        labels = " ".join(label_of(frame, rate, drop=drop) for frame in ends)
        assert re.fullmatch(rf"{number:03d}  [A-Z0-9 ]{{8}} V     C        {labels}", line), line
        record += length


class TestTimeline:
    def test_clips_point_to_media_that_hold_them(self, night):
        hand_off(night)
        for clip, (first, last) in zip(
            clips_of(night / "night.handoff" / "cutlist.otio"), RANGES, strict=True
        ):
            media = clip.media_reference
            whole, part = media.available_range, clip.source_range
            assert whole.start_time <= part.start_time
            assert part.end_time_exclusive() <= whole.end_time_exclusive()
            assert (night / "night.handoff" / media.target_url).exists()
            facts = clip.metadata["flashpan"]
            assert (facts["first"], facts["last"]) == (first, last)
            assert (facts["capture_rate"], facts["verified"]) == ("1000", "bit for bit")

    def test_markers_at_onsets(self, night):
        with Catalog.open(night) as catalog:
            catalog.set_mark(1, 0, "circled")
            catalog.set_note(1, 0, "the fork")
        hand_off(night)
        clips = clips_of(night / "night.handoff" / "cutlist.otio")
        marked = [(clip, marker) for clip in clips for marker in clip.markers]
        assert len(marked) == 3
        for clip, marker in marked:
            onset = marker.metadata["flashpan"]["onset"]
            into = onset - clip.metadata["flashpan"]["first"]
            start = clip.source_range.start_time.to_frames()
            assert marker.marked_range.start_time.to_frames() == start + into
            assert marker.marked_range.duration.to_frames() == 1
        first = marked[0][1]
        assert (first.color, first.comment, first.name) == ("GREEN", "the fork", "flash 0")

    def test_takes_instead_of_clips(self, tmp_path):
        rate = RATES["25"]
        dest = night_of(
            tmp_path / "night",
            ("storm", RANGES),
            timecode=lambda frame: label_of(90_000 + frame, rate, drop=False),
            head=2,
        )
        hand_off(dest, media="takes")
        clips = clips_of(dest / "night.handoff" / "cutlist.otio")
        assert spans(clips) == [(90_000 + first, last - first + 1) for first, last in RANGES]
        for clip in clips:
            assert clip.media_reference.target_url.endswith("/card/storm.mov")
            assert clip.media_reference.available_range.start_time.value == 90_000
            assert clip.media_reference.available_range.duration.value == 100_000
        text = (dest / "night.handoff" / "cutlist.edl").read_text()
        reels = re.findall(r"^\d{3}  (\w+)", text, re.M)
        assert reels == ["STORM"] * 3

    def test_stills_are_a_sequence(self, tmp_path):
        with Catalog.open(tmp_path) as catalog:
            put_take(catalog, "stills", [(40, 69)])
        folder = tmp_path / "stills" / "stills_r000.mov"
        folder.unlink()
        folder.mkdir()
        for number in range(40, 70):
            (folder / f"shot {number:05}.tif").write_bytes(b"")
        hand_off(tmp_path)
        (clip,) = clips_of(tmp_path / "night.handoff" / "cutlist.otio")
        media = clip.media_reference
        assert isinstance(media, otio.schema.ImageSequenceReference)
        assert media.target_url_for_image_number(0).endswith("/shot 00040.tif")
        first, last = media.frame_range_for_time_range(clip.source_range)
        assert (first, last) == (40, 69)
        assert "shot [40-69].tif" in (tmp_path / "night.handoff" / "cutlist.edl").read_text()


class TestLists:
    def test_one_for_each_rate(self, tmp_path):
        with Catalog.open(tmp_path) as catalog:
            put_take(catalog, "a", [(40, 69), (100, 120)], "24000/1001")
            put_take(catalog, "b", [(40, 69)], "50")
        done = hand_off(tmp_path)
        names = {path.name for path in done.files}
        assert {"cutlist-23.976.otio", "cutlist-50.edl", "markers.csv"} <= names
        assert any("2 rates: one cut list for each" in note for note in done.notes)
        for rate in (29.97, "29.97", Fraction(30_000, 1001)):
            assert hand_off(tmp_path, playback_rate=rate).cut_lists[0].rate == RATES["29.97"]
        one = hand_off(tmp_path, playback_rate=25)
        assert [cut_list.n_frames for cut_list in one.cut_lists] == [30 + 21 + 30]

    def test_a_rate_without_timecode(self, tmp_path):
        done = hand_off(night_of(tmp_path, ("a", RANGES), rate="1000"))
        assert "cutlist.edl" not in {path.name for path in done.files}
        assert "1,000 frames/s has no timecode: no EDL; give --playback-rate 25" in done.notes[0]
        assert spans(clips_of(tmp_path / "night.handoff" / "cutlist.otio"))[0] == (0, 30)

    def test_a_rate_that_nobody_knows(self, tmp_path):
        with Catalog.open(tmp_path) as catalog:
            put_take(catalog, "a", RANGES, None)
        done = hand_off(tmp_path)
        assert done.cut_lists[0].rate == 25
        assert "counted at 25 frames/s; give --playback-rate" in done.notes[0]

    def test_drop_frame_where_the_clips_have_it(self, tmp_path):
        rate = RATES["29.97"]
        for name, drop in (("df", True), ("ndf", False)):
            dest = night_of(
                tmp_path / name,
                ("a", RANGES),
                rate=str(rate),
                timecode=lambda frame, drop=drop: label_of(frame, rate, drop=drop),
            )
            assert hand_off(dest).cut_lists[0].drop is drop

    def test_more_edits_than_an_edl_takes(self, tmp_path, monkeypatch):
        assert edl.MOST_EVENTS == 999
        monkeypatch.setattr(edl, "MOST_EVENTS", 9)
        ranges = [(100 * k, 100 * k + 20) for k in range(11)]
        done = hand_off(night_of(tmp_path, ("a", ranges), frames=200_000))
        texts = [path.read_text() for path in done.files if path.suffix == ".edl"]
        lines = [re.findall(r"^\d{3}  .*", text, re.M) for text in texts]
        assert [len(some) for some in lines] == [9, 2]
        assert lines[1][0].split()[-2] == lines[0][-1].split()[-1]  # goes on where that ended
        reels = {line.split()[1] for some in lines for line in some}
        assert len(reels) == 11

    def test_circled_only_and_never_rejected(self, night):
        with Catalog.open(night) as catalog:
            catalog.set_mark(1, 0, "rejected")
            catalog.set_mark(1, 2, "circled")
        done = hand_off(night)
        assert [cut.kept.kept.number for cut in done.cut_lists[0].cuts] == [1, 2]
        assert "1 of 3 ranges are rejected" in done.notes[0]
        done = hand_off(night, circled=True)
        assert [cut.kept.kept.number for cut in done.cut_lists[0].cuts] == [2]

    def test_nothing_to_cut(self, tmp_path):
        Catalog.open(tmp_path).close()
        done = hand_off(tmp_path)
        assert [path.name for path in done.files] == ["markers.csv", "shotlog.csv", "shotlog.html"]

    def test_ranges_without_a_clip(self, tmp_path):
        with Catalog.open(tmp_path) as catalog:
            put_take(catalog, "a", RANGES)
            catalog._db.run("DELETE FROM clip WHERE number = 1")
        done = hand_off(tmp_path)
        assert [cut.kept.kept.number for cut in done.cut_lists[0].cuts] == [0, 2]
        assert "1 ranges have no clip" in done.notes[0]


class TestMarkers:
    def test_agree_with_the_edl(self, night):
        hand_off(night)
        with (night / "night.handoff" / "markers.csv").open(newline="") as file:
            rows = list(csv.DictReader(file))
        text = (night / "night.handoff" / "cutlist.edl").read_text()
        located = re.findall(r"^\* LOC: (\S+)", text, re.M)
        assert [row["source"] for row in rows] == located
        for row, (first, _) in zip(rows, RANGES, strict=True):
            assert int(row["clip_frame"]) == int(row["onset"]) - first == 10
            assert row["record"] == label_of(
                90_000 + int(row["record_frame"]), Fraction(25), drop=False
            )

    def test_columns_are_documented(self, night):
        from flashpan.cli.handoff import _HELP

        hand_off(night)
        head = (night / "night.handoff" / "markers.csv").read_text().splitlines()[0].split(",")
        assert head == [name for names in MARKER_COLUMNS for name in names.split(", ")]
        documented = _HELP.partition("Columns of markers.csv:")[2].partition("Columns of")[0]
        assert set(head) <= set(re.findall(r"\w+", documented))


class TestBadInput:
    def test_no_such_label(self, night):
        with pytest.raises(SettingsError, match="--start '00:00:00:30' is no timecode at 25"):
            hand_off(night, start="00:00:00:30")

    def test_no_such_media(self, night):
        with pytest.raises(UsageError, match="--media 'files' is neither clips nor takes"):
            hand_off(night, media="files")

    def test_no_night(self, tmp_path):
        with pytest.raises(CatalogError, match="holds no night"):
            hand_off(tmp_path)

    def test_nothing_is_written_over_by_half(self, night):
        hand_off(night)
        before = {path: path.read_bytes() for path in (night / "night.handoff").iterdir()}
        hand_off(night)
        assert {path: path.read_bytes() for path in (night / "night.handoff").iterdir()} == before


class TestRangesOfTheReview:
    """An operator's in and out hold, as far as the clip has the frames."""

    def cut(self, night, first, last):
        with ReviewBook.open(night) as book:
            book.set_range(1, 0, first, last)
        (cut_list,) = hand_off(night).cut_lists
        return cut_list.cuts[0], spans(clips_of(night / "night.handoff" / "cutlist.otio"))[0]

    @pytest.mark.parametrize(
        ("wanted", "span"),
        [((45, 60), (5, 16)), ((30, 60), (0, 21)), ((45, 90), (5, 25)), ((200, 300), (0, 30))],
    )
    def test_within_the_clip(self, night, wanted, span):
        assert self.cut(night, *wanted)[1] == span

    def test_a_marker_before_the_in_point_lies_at_it(self, night):
        cut, _ = self.cut(night, 51, 60)
        assert cut.kept.events[0].onset == 50
        assert cut.source_of(50) == cut.source_in
        with open(night / "night.handoff" / "markers.csv") as file:
            assert next(csv.DictReader(file))["clip_frame"] == "11"

    def test_an_event_that_lies_outside_is_not_marked(self, night):
        assert self.cut(night, 40, 45)[0].kept.events == ()

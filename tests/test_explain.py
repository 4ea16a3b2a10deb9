"""The answer to a doubt about a frame, against the search it comes from and the pixels."""

import json
import math
import re
from functools import cache, partial
from pathlib import Path

import numpy as np
import pytest
from array_takes import ArrayReader, digitised, grey_noise
from scipy import ndimage

import flashpan
from flashpan.answer import explanation_to_dict, format_explanation
from flashpan.errors import SettingsError
from flashpan.explain import AROUND, explain
from flashpan.find import find
from flashpan.settings import Settings
from flashpan.table import WIDTH
from flashpan.verdict import REASONS

SHAPE = (48, 64)
SQUARE = (slice(12, 24), slice(24, 36))


def lit(spans, n_frames=600, *, where=SQUARE, seed=3, **noise):
    """Noise in which a square lights up: ``spans`` of (first, stop, grey levels)."""
    lift = np.zeros((n_frames, *SHAPE))
    for first, stop, by in spans:
        lift[first:stop, where[0], where[1]] = by
    return grey_noise(n_frames, SHAPE, lift=lift, seed=seed, **noise)


def explained(pictures, frame, *, take=None, **wanted):
    settings = Settings.from_mapping(wanted)
    return explain(ArrayReader(pictures, **(take or {})), frame, settings)


@pytest.fixture(scope="module")
def on_flash(flash):
    """Explanations of frames of `flash`, each made once."""
    return cache(partial(explained, flash))


def account(explanation, name):
    return next(a for a in explanation.accounts if a.detector == name)


@pytest.fixture(scope="module")
def flash():
    """Two flashes of six frames, nearer together than the merge gap."""
    return lit([(400, 406, 80), (420, 426, 80)])


@pytest.fixture(scope="module")
def log(flash):
    """What the search itself says, with its trace."""
    return find(ArrayReader(flash), keep_trace=True)


class TestAgreesWithTheSearch:
    def test_the_search_is_the_same(self, log, on_flash):
        assert on_flash(403).log.events == log.events
        assert on_flash(403).log.ranges == log.ranges

    @pytest.mark.parametrize("frame", [0, 20, 399, 400, 412, 500, 599])
    def test_scores_and_thresholds_are_those_of_the_trace(self, log, on_flash, frame):
        trace = log.trace
        for ruling in on_flash(frame).around:
            for row, name in enumerate(trace.detectors):
                standing = ruling.standings[name]
                assert standing.score.value == pytest.approx(trace.scores[row, ruling.index])
                assert standing.opening == pytest.approx(trace.thresholds[row, ruling.index])

    @pytest.mark.parametrize("frame", [5, 40, 300, 400, 403, 406, 412, 421, 590])
    def test_a_score_is_the_departure_in_units_of_noise(self, on_flash, frame):
        for part in on_flash(frame).accounts:
            if part.site is not None:
                reading, value = part.site.reading, part.standing.score.value
                departure = (reading.value - reading.expected) / reading.noise
                one_sided = part.detector != "brightness"
                size = max(0.0, departure) if one_sided else abs(departure)
                assert value == pytest.approx(size, rel=1e-3, abs=1e-3)

    def test_memory_is_one_frame_and_its_neighbours(self, on_flash):
        assert [r.index for r in on_flash(300).around] == list(range(300 - AROUND, 301 + AROUND))


class TestAgreesWithThePixels:
    """What is said to have been measured is measured again, the slow way."""

    def part(self, pictures, site, frame):
        box = site.box
        return pictures[frame, box.top : box.bottom, box.left : box.right].astype(float)

    def test_mean_luma(self, flash, on_flash):
        site = account(on_flash(400), "brightness").site
        assert site.box.as_box() == (24, 12, 12, 12)
        assert (site.row, site.col, site.reading.place) == (1, 2, "tile")
        value, expected, _ = site.codes
        assert value == pytest.approx(self.part(flash, site, 400).mean(), abs=0.01)
        quiet = [self.part(flash, site, frame).mean() for frame in range(384, 400)]
        assert expected == pytest.approx(np.mean(quiet), abs=0.2)
        assert site.reading.value == pytest.approx(value / 255)

    def test_frame_difference(self, flash, on_flash):
        site = account(on_flash(400), "difference").site
        change = self.part(flash, site, 400) - self.part(flash, site, 399)
        # the variance of rounding is added under the root
        assert site.codes[0] == pytest.approx(np.sqrt((change**2).mean() + 1 / 6), abs=0.01)
        assert site.reading.frames == (400, 400)

    def test_a_faint_glow_is_seen_in_a_mean_of_frames(self):
        everywhere = (slice(None), slice(None))
        pictures = lit([(400, 500, 0.15)], 500, where=everywhere, level=60.4)
        answer = explained(pictures, 440, detectors="brightness")
        site = account(answer, "brightness").site
        first, last = site.reading.frames
        assert last - first + 1 in (4, 16)
        box = site.box
        mean = pictures[first : last + 1, box.top : box.bottom, box.left : box.right].mean()
        assert site.codes[0] == pytest.approx(mean, abs=0.01)

    def test_black_of_limited_range_counts(self):
        pictures = digitised(np.full((60, *SHAPE), 40.0))
        take = {"limited_range": True}
        site = account(explained(pictures, 50, take=take), "brightness").site
        assert site.codes[0] == pytest.approx(40, abs=0.01)
        assert site.reading.value == pytest.approx((40 - 16) / 219, abs=1e-4)

    def test_motion_names_its_lag_and_no_grey_levels(self, on_flash):
        site = account(on_flash(403), "roi-motion").site
        first, last = site.reading.frames
        assert last - first == site.reading.lag in (1, 4, 16)
        assert (site.codes, site.reading.place) == (None, "region")
        assert site.box.as_box() == (0, 0, 64, 48)


class TestVerdicts:
    def of(self, pictures, frame, **wanted):
        verdict = explained(pictures, frame, **wanted).verdict
        assert verdict.reason in REASONS
        return verdict

    def test_the_onset(self, on_flash):
        verdict = on_flash(400).verdict
        assert (verdict.reason, verdict.event, verdict.kept_as) == ("opened here", 0, ("event",))
        parts = on_flash(400).accounts
        most = max(parts, key=lambda part: part.standing.score.value / part.standing.opening)
        assert f"opened at this very frame, by {most.detector}: " in verdict.text
        assert most.since == 400

    def test_within(self, on_flash):
        verdict = on_flash(403).verdict
        assert (verdict.reason, verdict.event) == ("departed", 0)
        assert "It opened at frame 400, by " in verdict.text
        assert "brightness" in verdict.text.partition("At this frame")[2]

    def test_a_held_place_does_not_learn(self, on_flash):
        part = account(on_flash(403), "brightness")
        assert part.site.reading.is_held
        assert part.site.codes[1] == pytest.approx(40, abs=0.5)
        assert not part.is_moving
        assert account(on_flash(400), "brightness").is_moving

    def test_between_two_departures(self, flash):
        verdict = self.of(flash, 412, detectors="brightness")
        assert (verdict.reason, verdict.event) == ("between departures", 0)
        assert "between the departures of frame 405 and of frame 420" in verdict.text
        assert "merge gap of 30 frames" in verdict.text

    def test_a_gap_that_ended_it(self, flash):
        verdict = self.of(flash, 412, detectors="brightness", merge_gap=3)
        assert (verdict.reason, verdict.event) == ("quiet", None)
        assert verdict.kept_as == ("post-roll", "pre-roll")
        assert "Kept as post-roll of event 0 and pre-roll of event 1" in verdict.text

    def test_post_roll_while_still_open(self, flash):
        verdict = self.of(flash, 430, detectors="brightness")
        assert (verdict.reason, verdict.event) == ("after the end", None)
        assert verdict.kept_as == ("post-roll",)
        assert "Event 0 (400-425, flash) had ended at frame 425" in verdict.text

    def test_pre_roll(self, on_flash):
        verdict = on_flash(390).verdict
        assert (verdict.reason, verdict.kept_as) == ("quiet", ("pre-roll",))
        assert "Kept as pre-roll of event 0, in trim range 375-" in verdict.text

    @pytest.mark.parametrize("frame", [200, 599])
    def test_quiet(self, frame):
        verdict = self.of(lit([]), frame)
        assert (verdict.reason, verdict.event, verdict.kept) == ("quiet", None, None)
        assert re.search(r"reached \d\.\d\d of the \d\.\d\d that open one \(\d+ %\)", verdict.text)
        assert "Noise alone gives that or more" in verdict.text

    def test_above_the_closing_threshold_only(self):
        verdict = self.of(lit([(400, 401, 0.9)]), 400, detectors="brightness")
        assert (verdict.reason, verdict.event) == ("not enough to open", None)
        assert "but none was open" in verdict.text

    def test_a_state_that_stays_is_no_more_of_its_event(self):
        verdict = self.of(lit([(500, 1200, 30)], 1200), 520, detectors="brightness")
        assert (verdict.reason, verdict.event) == ("after the end", None)
        assert "since frame 500, but at rest" in verdict.text

    def test_looking_back(self):
        lift = np.zeros(900)
        lift[600:800] = np.arange(200) * 0.02
        lift[800:] = 4
        slow = grey_noise(900, SHAPE, lift=lift, level=60.4)
        event = find(ArrayReader(slow)).events[0]
        verdict = self.of(slow, event.onset)
        assert (verdict.reason, verdict.event) == ("found looking back", 0)
        later = int(re.search(r"opened later, at frame (\d+)", verdict.text)[1])
        assert later > event.onset
        assert self.of(slow, later).reason == "opened here"

    def test_every_frame_of_an_event_is_said_to_be_one_and_no_other(self, log, on_flash):
        event = log.events[0]
        for frame in (event.onset - 1, event.onset, event.peak, event.end, event.end + 1):
            inside = event.onset <= frame <= event.end
            assert (on_flash(frame).verdict.event is not None) == inside


class TestEnds:
    def test_warm_up(self):
        answer = explained(lit([]), 10)
        assert all(part.standing.score.in_retrospect for part in answer.accounts)
        assert "Scored in retrospect: the frame lies in the warm-up" in answer.verdict.text

    def test_after_the_warm_up(self):
        answer = explained(lit([]), 300)
        assert not any(part.standing.score.in_retrospect for part in answer.accounts)
        assert "retrospect" not in format_explanation(answer)

    def test_an_event_in_the_warm_up(self):
        verdict = explained(lit([(10, 14, 80)]), 10).verdict
        assert (verdict.reason, verdict.event) == ("opened here", 0)
        assert "retrospect" in verdict.text

    def test_first_frame(self):
        answer = explained(lit([]), 0)
        assert account(answer, "difference").site is None
        assert "none: no frame before this one" in format_explanation(answer)
        assert [ruling.index for ruling in answer.around] == [0, 1, 2, 3]

    def test_first_frame_with_nothing_to_compare(self):
        verdict = explained(lit([]), 0, detectors="difference").verdict
        assert verdict.reason == "nothing to compare"

    def test_take_of_one_frame(self):
        answer = explained(lit([], 1), 0)
        assert answer.verdict.event is None
        assert answer.verdict.kept is None
        assert format_explanation(answer)

    def test_event_open_at_the_last_frame(self):
        verdict = explained(lit([(590, 600, 80)]), 599).verdict
        assert (verdict.reason, verdict.event) == ("departed", 0)

    @pytest.mark.parametrize(("frame", "where"), [(40, "before"), (90, "after")])
    def test_outside_the_part_asked_for(self, frame, where):
        answer = explained(lit([], 100), frame, first=50, last=80)
        assert answer.verdict.reason == "not looked at"
        assert f"lies {where} the part asked for, frames 50-80" in answer.verdict.text
        assert answer.accounts == ()
        assert format_explanation(answer)

    def test_beyond_the_take(self):
        with pytest.raises(SettingsError, match=r"frame 100 lies after .* ask for one of 0 to 99"):
            explained(lit([], 100), 100)

    def test_beyond_a_stream_whose_length_nobody_knew(self):
        stream = ArrayReader(iter(lit([], 60)), shape=SHAPE)
        with pytest.raises(SettingsError, match="which has 60 frames"):
            explain(stream, 60)

    def test_before_the_take(self):
        with pytest.raises(SettingsError, match="numbered from 0"):
            explained(lit([], 10), -1)


class TestRegions:
    def test_an_ignored_flash_is_not_seen(self, flash):
        answer = explained(flash, 400, ignore="20,8,24,20")
        assert answer.verdict.reason == "quiet"
        assert "ignoring 20,8,24,20" in format_explanation(answer)

    def test_places_are_pixels_of_the_picture(self, flash):
        site = account(explained(flash, 400, roi="20,8,24,20"), "brightness").site
        left, top, width, height = site.box.as_box()
        assert 20 <= left < left + width <= 44
        assert 8 <= top < top + height <= 28


class TestForms:
    def test_lines_fit(self, on_flash):
        for frame in (0, 10, 400, 403, 412, 599):
            text = format_explanation(on_flash(frame))
            assert max(map(len, text.splitlines())) <= WIDTH
            assert not text.endswith("\n")

    def test_json_says_what_the_text_says(self, on_flash):
        answer = on_flash(400)
        said = json.loads(json.dumps(explanation_to_dict(answer), allow_nan=False))
        assert said["verdict"]["is_event"] is True
        assert said["verdict"]["text"] == answer.verdict.text
        assert said["event"]["onset"] == 400
        assert said["frame"] == 400
        assert [row["frame"] for row in said["around"]] == list(range(397, 404))
        brightness = said["detectors"][0]
        assert brightness["detector"] == "brightness"
        assert brightness["place"]["box"] == [24, 12, 12, 12]
        assert brightness["opens"] is True
        assert brightness["asked"] == pytest.approx(1 / 4)
        assert brightness["chance"] < 1
        assert brightness["learned_from"] == 400

    def test_json_of_a_frame_not_looked_at(self):
        said = explanation_to_dict(explained(lit([], 100), 90, last=80))
        assert (said["event"], said["detectors"], said["around"]) == (None, [], [])

    def test_times_of_the_frame(self, flash):
        take = {"capture_rate": 1000}
        text = format_explanation(explained(flash, 400, take=take))
        assert "frame     400, real time 400.000 ms" in text


class KeyframeReader(ArrayReader):
    """A lossy stream with a keyframe every twelfth picture."""

    def frames(self):
        from dataclasses import replace

        for frame in super().frames():
            yield replace(frame, is_keyframe=frame.index % 12 == 0)


def test_too_few_frames_coded_afresh_are_said_to_be_too_few():
    reader = KeyframeReader(grey_noise(240, SHAPE, seed=5), codec="h264", intra_only=False)
    text = " ".join(format_explanation(explain(reader, 72)).split())
    assert "too few frames coded afresh yet to learn from" in text
    assert "frames that are not coded afresh" in text


def test_a_frame_coded_afresh_says_so():
    pictures = grey_noise(240, SHAPE, seed=5)
    reader = KeyframeReader(pictures, codec="h264", intra_only=False)
    answer = explain(reader, 228)
    assert answer.refreshed
    assert "codes this frame afresh" in answer.verdict.text
    assert "frames coded afresh" in format_explanation(answer)
    assert not explain(KeyframeReader(pictures, codec="h264", intra_only=False), 229).refreshed


def test_a_camera_that_sways_is_said_to():
    rng = np.random.default_rng(4)
    rough = ndimage.gaussian_filter(rng.standard_normal((96, 144)), 6.0)
    scene = 100.0 + 20.0 * rough / rough.std()
    rightwards = [0.0] * 40 + [1.5 * math.sin(i / 60) for i in range(100)]
    pictures = np.stack(
        [ndimage.shift(scene, (0, px), order=3, mode="nearest") for px in rightwards]
    )
    noisy = np.rint(pictures + 1.5 * rng.standard_normal(pictures.shape)).astype(np.uint8)
    swayed, still = explain(ArrayReader(noisy), 130), explain(ArrayReader(noisy[:40]), 20)
    assert swayed.shift == pytest.approx((rightwards[130], 0.0), abs=0.1)
    text = " ".join(format_explanation(swayed).split())
    assert re.search(r"the whole picture 1\.\d\d px right and 0\.\d\d px (up|down); that is", text)
    assert explanation_to_dict(swayed)["shift"] == pytest.approx(swayed.shift, abs=1e-3)
    assert still.shift == (0.0, 0.0)
    assert "sway" not in format_explanation(still)


def without_figures(text):
    """The words of an answer: figures and where lines break may change."""
    return re.sub(r"\s+", " ", re.sub(r"\d[\d.,]*", "0", text)).replace("> ", "")


def test_the_example_in_the_readme_is_what_the_program_says(tmp_path, monkeypatch):
    readme = (Path(__file__).parent.parent / "README.md").read_text()
    command, _, shown = re.search(
        r"```text\n\$ flashpan find (glow\.npy [^\n]*)(\n)(.*?)\n```", readme, re.S
    ).groups()
    monkeypatch.chdir(tmp_path)
    np.save("glow.npy", lit([(400, 401, 0.9)]))
    take, _, detector, _, frame = command.split()
    answer = flashpan.explain(take, int(frame), Settings(detectors=(detector,)))
    assert without_figures(format_explanation(answer)) == without_figures(shown)

"""Contact sheets and score plots of takes, as files that others read."""

import io
import json
import re
from dataclasses import replace
from fractions import Fraction

import cv2
import numpy as np
import pytest
from matplotlib.image import AxesImage
from matplotlib.text import Text
from PIL import Image
from trim_fixtures import h264, video

import flashpan
from flashpan.cut.anyframe import AnyFrame
from flashpan.cut.native import NativePicture
from flashpan.cut.tone import FULL, Tone, toned
from flashpan.errors import TakeError, UsageError
from flashpan.eventlog import write_log
from flashpan.model import Region, ScoreTrace
from flashpan.scores import write_scores
from flashpan.settings import Settings
from flashpan.sheet.canvas import Canvas, drawable, figures_pdf
from flashpan.sheet.looks import Strips, close_up, fitted, store_strips
from flashpan.sheet.make import contact_sheet
from flashpan.sheet.plot import score_plot
from flashpan.sheet.takesheet import take_pages
from flashpan.sheet.tones import strip_tone, tone_text

ASKED = Settings.from_mapping({"capture_rate": 1000, "pre_roll": 4, "post_roll": 5, "merge_gap": 3})


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Sheets of an invented take with two flashes, at frames 50 and 100."""
    folder = tmp_path_factory.mktemp("sheets")
    take = h264(folder / "burst.mp4")
    return take, contact_sheet(take, folder / "out", ASKED)


@pytest.fixture(scope="module")
def searched(made):
    return flashpan.find(made[0], ASKED, keep_trace=True)


def texts(figure):
    return [one.get_text() for one in figure.findobj(Text) if one.get_text()]


class TestFiles:
    def test_all_are_there_under_the_takes_name(self, made):
        _, sheets = made
        assert [path.name for path in sheets.paths] == [
            "burst.sheet.png",
            "burst.sheet.pdf",
            "burst.scores.png",
            "burst.strips",
        ]
        assert all(path.exists() for path in sheets.paths)

    def test_pillow_reads_the_pictures(self, made):
        for path in (*made[1].pages, made[1].plot):
            with Image.open(path) as picture:
                picture.verify()
                assert picture.format == "PNG"

    def test_the_pdf_has_the_sheet_and_the_plot(self, made):
        data = made[1].pdf.read_bytes()
        assert data.startswith(b"%PDF-")
        assert data.rstrip().endswith(b"%%EOF")
        assert len(re.findall(rb"/Type /Page\b", data)) == 2

    def test_the_same_take_gives_the_same_files(self, made, tmp_path):
        take, sheets = made
        (tmp_path / "burst.sheet-2.png").write_text("of an earlier sheet that had more pages")
        again = contact_sheet(take, tmp_path, ASKED)
        assert not (tmp_path / "burst.sheet-2.png").exists()
        for one, other in zip(sheets.paths[:-1], again.paths[:-1], strict=True):
            assert one.read_bytes() == other.read_bytes()

    def test_nothing_is_replaced_unasked(self, made):
        take, sheets = made
        with pytest.raises(TakeError, match="--overwrite"):
            contact_sheet(take, sheets.pdf.parent, ASKED)

    def test_a_pipe_is_refused(self, tmp_path):
        with pytest.raises(UsageError, match="pipe"):
            contact_sheet("-", tmp_path)

    @pytest.mark.parametrize("has_scores", [False, True])
    def test_by_a_log_nothing_is_searched(self, made, searched, tmp_path, has_scores):
        log = write_log(searched, tmp_path / "logs")
        data = json.loads(log.read_text())
        data["events"][1]["end"] = 110  # somebody knows better
        log.write_text(json.dumps(data))
        if has_scores:
            write_scores(searched.trace, log.with_name("burst.scores.npz"))
        sheets = contact_sheet(made[0], tmp_path / "out", ASKED, log=log)
        assert (sheets.plot is not None) == has_scores
        assert 110 in [one.frame for one in sheets.strips.of(1).frames]


class TestStrips:
    def test_hold_the_frames_of_the_take(self, made):
        """The strip's JPEG against the decoded take, with the tone that its caption states."""
        take, sheets = made
        strips = Strips.read(sheets.strips.folder)
        assert strips == sheets.strips
        strip = strips.of(0)
        assert strip.tone == "full tone range" or "stretched" in strip.tone
        with flashpan.open_take(take) as reader:
            luma = {frame.index: frame.luma for frame in reader}
        bright = [float(strips.picture(one.file).mean()) for one in strip.frames]
        expected = [float(luma[one.frame].mean()) for one in strip.frames]
        assert np.argsort(bright)[-1] == np.argsort(expected)[-1]
        assert np.corrcoef(bright, expected)[0, 1] > 0.999

    def test_small_pictures_are_enlarged_by_whole_factors(self, made):
        picture = made[1].strips.picture(made[1].strips.strips[0].frames[0].file)
        assert picture.shape == (48 * 7, 64 * 7, 3)

    def test_of_many_events_the_strongest_are_shown(self, searched, tmp_path):
        with AnyFrame(searched.take) as pictures:
            strips = store_strips(searched, None, pictures, tmp_path / "few", most_events=1)
        strongest = max(range(2), key=lambda number: searched.events[number].strength)
        assert [strip.event for strip in strips.strips] == [strongest]
        assert strips.left_out == 1

    @pytest.mark.parametrize(
        "damage",
        [
            lambda data: data["strips"][0]["frames"][0].update(file="../../secret.jpg"),
            lambda data: data["strips"][0]["frames"][0].update(close_file="/etc/passwd"),
            lambda data: data.pop("shape"),
            lambda data: data.update(strips=3),
        ],
    )
    def test_names_that_lead_elsewhere_are_refused(self, made, tmp_path, damage):
        data = json.loads((made[1].strips.folder / "strips.json").read_text())
        damage(data)
        (tmp_path / "strips.json").write_text(json.dumps(data))
        with pytest.raises(TakeError, match="damaged"):
            Strips.read(tmp_path)

    def test_frames_that_do_not_decode_are_left_out(self, tmp_path):
        take = video(tmp_path / "a.mov")
        log = flashpan.find(take, ASKED)
        log = replace(log, events=(replace(log.events[0], end=500),))
        path = write_log(replace(log, ranges=()), tmp_path / "logs")
        data = json.loads(path.read_text())
        data["take"]["frames"] = 600
        path.write_text(json.dumps(data))
        strip = contact_sheet(take, tmp_path / "out", ASKED, log=path).strips.of(0)
        assert log.events[0].onset in [one.frame for one in strip.frames]
        assert all(one.frame < 120 for one in strip.frames)


class TestCloseUp:
    def test_a_small_thing_in_a_large_picture_is_shown_from_near(self):
        close = close_up(Region(700, 1260, 12, 12), (720, 1280))
        assert close.height >= 24
        assert close.width >= 24
        assert close.bottom <= 720
        assert close.right <= 1280
        assert close.top <= 700
        assert close.bottom >= 712
        assert abs(close.width / close.height - 1280 / 720) < 0.1

    def test_what_fills_the_picture_is_not(self):
        assert close_up(Region(0, 0, 400, 400), (720, 1280)) is None
        assert close_up(Region(4, 4, 4, 4), (48, 64)) is None

    def test_reducing_keeps_what_enlarging_keeps(self):
        picture = np.zeros((100, 100), np.uint8)
        picture[50, 50] = 255
        assert fitted(picture, 250, 250).max() == 255
        assert fitted(picture, 250, 250).shape == (200, 200, 3)
        assert fitted(picture, 50, 50).shape == (50, 50, 3)


def native(levels, depth, limited=False):
    spare = depth - 8
    black, white = (16 << spare, 235 << spare) if limited else (0, (1 << depth) - 1)
    pixels = np.rint(black + np.asarray(levels) * (white - black))
    return NativePicture(
        index=0,
        pixels=pixels.astype(np.uint8 if depth == 8 else np.uint16),
        bit_depth=depth,
        black=black,
        white=white,
    )


class TestTones:
    @pytest.mark.parametrize("depth", [8, 10, 12, 16])
    @pytest.mark.parametrize("limited", [False, True])
    def test_a_scene_is_shown_alike_at_every_depth(self, depth, limited):
        levels = np.linspace(0.2, 0.5, 10_000).reshape(100, 100)
        picture = native(levels, depth, limited)
        tone = strip_tone([picture])
        assert tone.low == pytest.approx(0.2, abs=0.01)
        assert tone.high == pytest.approx(0.5, abs=0.01)
        shown = toned(picture, tone)
        assert shown.min() <= 2
        assert shown.max() >= 253
        assert tone_text(tone).startswith("tone stretched: ")

    def test_what_uses_most_of_the_range_is_shown_as_it_was(self):
        tone = strip_tone([native(np.linspace(0, 0.9, 1000).reshape(10, 100), 12)])
        assert tone == FULL
        assert tone_text(tone) == "full tone range"

    def test_at_night_the_middle_is_lifted_and_that_is_said(self):
        dark = np.full((50, 50), 0.02)
        flash = np.where(np.eye(50, dtype=bool), 1.0, 0.03)
        tone = strip_tone([native(dark, 12), native(flash, 12)])
        assert tone.lift > 1
        assert "middle lifted (power 1/2.2)" in tone_text(tone)
        # black stays black, white stays white, brighter stays brighter
        ramp = toned(native(np.linspace(0, 1, 256).reshape(16, 16), 12), tone).ravel()
        assert (ramp[0], ramp[-1]) == (0, 255)
        assert (np.diff(ramp.astype(int)) >= 0).all()

    def test_a_lift_is_a_power_of_the_part_shown(self):
        shown = toned(native([[0.25]], 16), Tone(0.0, 1.0, lift=2.0))
        assert shown[0, 0] == 128  # the square root of a quarter is a half


class TestSheet:
    def test_captions_hold_the_three_clocks_name_and_rate(self, made, searched):
        page = next(take_pages(searched, made[1].strips))
        said = texts(page.figure)
        event = searched.events[0]
        assert "burst" in said
        assert any("shot at 1,000 frames/s" in text for text in said)
        assert any(text.endswith(f" {event.onset}") for text in said)
        assert f"+{event.onset}.000 ms" in said
        assert f"0:00:{event.onset / 25:06.3f}" in said
        assert any(text in (made[1].strips.strips[0].tone,) for text in said)

    def test_captions_lie_on_no_picture(self, made, searched):
        page = next(take_pages(searched, made[1].strips))
        page.figure.canvas.draw()
        pictures = [one.get_window_extent() for one in page.figure.findobj(AxesImage)]
        assert len(pictures) >= 8
        for text in page.figure.findobj(Text):
            box = text.get_window_extent()
            if text.get_text():
                assert not any(box.overlaps(picture) for picture in pictures), text.get_text()

    def test_a_take_without_events_says_so(self, made, searched):
        calm = replace(searched, events=(), ranges=())
        page = next(take_pages(calm, replace(made[1].strips, strips=())))
        assert "Nothing was found in this take." in texts(page.figure)

    def test_many_events_take_several_pages(self, made, searched):
        event = searched.events[0]
        log = replace(searched, events=(event,) * 20, ranges=())
        strips = replace(
            made[1].strips,
            strips=tuple(replace(made[1].strips.strips[0], event=number) for number in range(20)),
        )
        pages = list(take_pages(log, strips))
        assert len(pages) == 3
        titles = [text for page in pages for text in texts(page.figure) if "event " in text]
        assert sum(text.startswith("event ") for text in titles) == 20
        assert all(page.rows <= 2700 for page in pages)
        pdf = figures_pdf([page.figure for page in pages], "many")
        assert len(re.findall(rb"/Type /Page\b", pdf)) == 3

    def test_a_pictures_pixels_reach_the_page(self):
        page = Canvas(200, 100)
        picture = np.random.default_rng(1).integers(0, 256, (40, 60, 3), np.uint8)
        page.picture(20, 30, 60, 40, picture)
        shown = np.asarray(Image.open(io.BytesIO(page.png())).convert("RGB"))
        np.testing.assert_array_equal(shown[30:70, 20:80], picture)

    def test_names_in_any_letters_are_drawn(self):
        assert drawable("µs – ä $x$ Ж") == "µs – ä $x$ Ж"
        assert drawable("雷\udcff\U0001f4f7") == "???"
        page = Canvas(300, 50)
        page.text(5, 20, "$\\frac{1}$ a_b^c", 14)  # no formula
        assert page.png()


class TestPlot:
    def test_has_a_panel_for_each_detector_with_its_threshold(self, searched):
        figure = score_plot(searched, searched.trace)
        said = " ".join(texts(figure))
        for name in searched.trace.detectors:
            assert name in said
        assert "real time from frame 0, ms" in said
        assert "frame" in said

    @pytest.mark.parametrize("n_frames", [1000, 3_000_000])
    def test_a_spike_of_one_frame_is_seen(self, searched, n_frames):
        """One frame in three million stands out of the picture as far as it does of noise."""
        random = np.random.default_rng(2)
        scores = np.abs(random.normal(2, 0.3, (1, n_frames))).astype(np.float32)
        without = self.picture(searched, scores, n_frames)
        scores[0, n_frames // 3] = 40
        with_spike = self.picture(searched, scores, n_frames)
        column = with_spike.shape[1] // 3
        near = slice(column - 100, column + 100)
        changed = (with_spike != without)[:, near].any(axis=2)
        assert changed.any(axis=1).sum() > 50  # rows of the picture that the spike fills

    @staticmethod
    def picture(log, scores, n_frames):
        kept = ScoreTrace(
            detectors=("brightness",),
            frames=np.arange(n_frames),
            scores=scores,
            thresholds=np.full((1, n_frames), 6, np.float32),
        )
        calm = replace(log, events=(), ranges=())
        figure = score_plot(calm, kept)
        figure.axes[0].set_ylim(0, 50)
        file = io.BytesIO()
        figure.savefig(file, format="png", dpi=figure.dpi)
        return cv2.imdecode(np.frombuffer(file.getvalue(), np.uint8), cv2.IMREAD_COLOR)

    @pytest.mark.parametrize(
        ("rate", "unit"), [(Fraction(100), "s"), (Fraction(10**6), "µs"), (None, None)]
    )
    def test_real_time_has_a_fitting_unit(self, searched, rate, unit):
        log = replace(searched, take=replace(searched.take, capture_rate=rate))
        said = " ".join(texts(score_plot(log, searched.trace)))
        assert ("real time" in said) == (rate is not None)
        assert unit is None or f"frame 0, {unit}" in said

    def test_a_trace_of_nothing(self, searched):
        empty = replace(
            searched.trace,
            frames=searched.trace.frames[:0],
            scores=searched.trace.scores[:, :0],
            thresholds=searched.trace.thresholds[:, :0],
        )
        assert score_plot(searched, empty)

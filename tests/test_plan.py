"""The numbers before the shot, held against published ones.

Sources of the figures: worked examples of machine-vision calculators (blur), printed tables of
shutter angles at 24 frames per second, photographic depth-of-field tables and calculators, an
article of a crash laboratory (record time), and SciPy's constants for units.
"""

import json
import math
import random
from fractions import Fraction

import pytest
from scipy import constants

import flashpan
from flashpan.errors import SettingsError
from flashpan.plan import plan
from flashpan.planner.flicker import is_still, largest_step
from flashpan.planner.formulas import RULES
from flashpan.planner.quantities import ALL, GIVEN, read_quantity
from flashpan.planner.show import shown
from flashpan.planner.subjects import SUBJECTS
from flashpan.planner.table import format_plan, plan_json


class TestUnits:
    @pytest.mark.parametrize(
        ("name", "text", "value"),
        [
            ("speed", "1mph", constants.mph),
            ("speed", "50km/h", 50 * constants.kmh),
            ("field_width", "3ft", 3 * constants.foot),
            ("distance", "12in", 12 * constants.inch),
            ("memory", "72GiB", 72 * constants.gibi),
            ("memory", "3 TB", 3 * constants.tera),
            ("exposure", "20us", 20 * constants.micro),
            ("exposure", "20 µs", 20 * constants.micro),
            ("exposure", "20 μs", 20 * constants.micro),
            ("record_time", "2min", 2 * constants.minute),
            ("pixel_size", "20um", 20 * constants.micro),
            ("link", "10Gbit/s", 10 * constants.giga / 8),
        ],
    )
    def test_agree_with_scipy(self, name, text, value):
        assert float(read_quantity(GIVEN[name], text)) == pytest.approx(value, rel=1e-15)

    def test_exact(self):
        assert read_quantity(GIVEN["exposure"], "1/48s") == Fraction(1, 48)
        assert read_quantity(GIVEN["exposure"], "0.29ms") == Fraction(29, 100_000)
        assert read_quantity(GIVEN["aperture"], "f/2.8") == Fraction(14, 5)
        assert read_quantity(GIVEN["trigger"], "0%") == 0

    @pytest.mark.parametrize(
        ("name", "text", "cure"),
        [
            ("exposure", "20", "--exposure '20' is no time; write it as 20us"),
            ("exposure", "20 MB", "is no time"),
            ("exposure", "-3us", "is no time"),
            ("exposure", "1/0s", "is no time"),
            ("exposure", "0us", "must be above zero"),
            ("speed", "300m", "is no speed; write it as 800m/s"),
            ("memory", "72", "is no amount of memory"),
            ("mains", "50", "is no mains frequency; write it as 50Hz"),
            ("trigger", "0.3", "is no share; write it as 30%"),
            ("trigger", "130%", "more than the whole record"),
            ("shutter_angle", "400", "more than the whole frame; give 360° or less"),
            ("capture_rate", "fast", "is no rate"),
            ("event_frames", "2.5", "must be a whole number"),
        ],
    )
    def test_one_line_with_the_cure(self, name, text, cure):
        with pytest.raises(SettingsError) as raised:
            plan(**{name: text})
        assert cure in str(raised.value)
        assert "\n" not in str(raised.value)

    def test_numbers_and_fractions_from_python(self):
        assert plan(capture_rate=Fraction(30_000, 1001), playback_rate=30)["stretch"] < 1
        assert plan(capture_rate=240, playback_rate=29.97)["stretch"] == pytest.approx(8.008)


class TestMemory:
    """Record time = memory / (bytes a frame x rate)."""

    @pytest.mark.parametrize(
        ("size", "bits", "rate", "memory", "frames", "seconds"),
        [  # computed from the published formula
            ("1280x800", 12, 7500, "72GiB", 50_331, 6.7109),
            ("1920x1080", 8, 1000, "16GB", 7716, 7.7160),
            ("1024x1024", 8, 1000, "8GiB", 8192, 8.192),
        ],
    )
    def test_record_time(self, size, bits, rate, memory, frames, seconds):
        known = plan(size=size, bit_depth=bits, capture_rate=rate, memory=memory)
        assert known["frames"] == frames
        assert known["record_s"] == pytest.approx(seconds, abs=1e-3)

    def test_a_crash_laboratorys_camera(self):
        """32 GB filled in 5.1 s at 2570 frames/s, 1080 lines; the depth of 10 bits is inferred."""
        known = plan(size="1920x1080", bit_depth=10, memory="32GiB", capture_rate=2570)
        assert known["record_s"] == pytest.approx(5.1, abs=0.1)

    def test_fewer_pixels_mean_as_many_more_frames(self):
        """Common practice, no source: at a fixed sensor data rate."""
        whole = plan(size="1280x800", bit_depth=8, memory="8GiB", capture_rate=1000)
        half = plan(size="1280x400", bit_depth=8, memory="8GiB", capture_rate=2000)
        assert half["frames"] == pytest.approx(2 * whole["frames"], rel=1e-4)
        assert half["data_rate"] == whole["data_rate"]
        assert half["record_s"] == pytest.approx(whole["record_s"], rel=1e-3)

    def test_in_whole_words(self):
        packed = plan(size="1280x800", bit_depth=12, memory="8GiB")
        words = plan(size="1280x800", bit_depth=12, stored_bits=16, memory="8GiB")
        assert words["frame_bytes"] == 2 * 1280 * 800
        assert packed["frames"] / words["frames"] == pytest.approx(16 / 12, rel=1e-3)

    def test_saving(self):
        known = plan(size="1000x1000", bit_depth=8, memory="72GB", link="10Gbit/s")
        assert known["save_s"] == pytest.approx(72e9 * 8 / 10e9)

    def test_what_a_record_time_needs(self):
        known = plan(size="1000x1000", bit_depth=8, record_time="2s", capture_rate=1000)
        assert known["memory_needed"] == 2e9
        assert known["frames"] == 2000
        known = plan(size="1000x1000", bit_depth=8, record_time="2s", memory="8GB")
        assert known["highest_rate"] == 4000


class TestPlayback:
    @pytest.mark.parametrize(
        ("shot", "watched", "slower"),
        [(120, 30, 4), (240, 30, 8), (10_000, 30, 333.33), (60, 24, 2.5)],
    )  # published tables; the last: common practice, no source
    def test_slower_by(self, shot, watched, slower):
        known = plan(capture_rate=shot, playback_rate=watched)
        assert known["stretch"] == pytest.approx(slower, rel=1e-4)

    def test_event_on_screen(self):
        known = plan(event="5ms", capture_rate=10_000, playback_rate=25)
        assert known["event_screen_s"] == 2
        assert known["frames_in_event"] == 50

    def test_lowest_rate_for_an_event(self):
        known = plan(event="3ms", event_frames=20)
        rate = known["event_rate"]
        assert rate == pytest.approx(20 / 0.003)
        # whatever the phase, so many frames begin within the event at that rate, and not below
        phases = [random.Random(k).random() for k in range(100)]
        assert all(_frames_within(rate * 1.0001, 0.003, phase) >= 20 for phase in phases)
        assert any(_frames_within(rate * 0.99, 0.003, phase) < 20 for phase in phases)

    def test_bare_numbers_are_frames(self):
        assert plan(event=300, capture_rate=100_000)["frames_in_event"] == 300
        with pytest.raises(SettingsError, match="--event 300 is frames and needs the capture rate"):
            plan(event=300)


def _frames_within(rate, duration, phase):
    return sum(0 <= (k + phase) / rate < duration for k in range(int(rate * duration) + 2))


class TestLight:
    @pytest.mark.parametrize(
        ("angle", "part"),
        [(270, 32), (180, 48), (172.8, 50), (144, 60), (90, 96), (72, 120)],
    )  # a printed table for 24 frames per second
    def test_shutter_angles(self, angle, part):
        assert plan(shutter_angle=angle, capture_rate=24)["exposure"] == pytest.approx(1 / part)
        assert plan(exposure=f"1/{part}s", capture_rate=24)["shutter_angle"] == pytest.approx(angle)

    def test_half_a_frame_of_a_crash_camera(self):
        """Transport Canada TP 14325, 6.2: 500 frames/s, 1/1000 s."""
        assert plan(capture_rate=500, exposure="1/1000s")["shutter_angle"] == 180

    def test_stops(self):
        known = plan(exposure="1/768s", reference_exposure="1/48s")
        assert known["light_loss"] == 4
        known = plan(
            exposure="1/96s", reference_exposure="1/48s", aperture=11.2, reference_aperture=5.6
        )
        assert known["light_loss"] == pytest.approx(1 + 2)

    def test_close_up_costs_light(self):
        """At 1:1 two stops, as every macro handbook has it (from memory)."""
        known = plan(exposure="1/48s", reference_exposure="1/48s", magnification=1)
        assert known["light_loss"] == 2

    def test_short_deep_and_close_cost_light_together(self):
        """Common practice, no source."""
        near = plan(
            exposure="1ms",
            reference_exposure="8ms",
            aperture=8,
            reference_aperture=4,
            magnification=1,
        )
        assert near["light_loss"] == 3 + 2 + 2


class TestMotion:
    @pytest.mark.parametrize(
        ("speed", "exposure", "pixel", "blur"),
        [("500mm/s", "100us", "50um", 1.0), ("2000mm/s", "25us", "50um", 1.0)],
    )  # two machine-vision calculators
    def test_blur(self, speed, exposure, pixel, blur):
        known = plan(speed=speed, exposure=exposure, pixel_size=pixel, magnification=1)
        assert known["blur_px"] == pytest.approx(blur)

    def test_exposure_for_one_pixel(self):
        """The same: 100 mm over 1920 pixels at 500 mm/s: 104.167 us, 9600 1/s."""
        known = plan(size="1920x1080", field_width="100mm", speed="500mm/s", max_blur=1)
        assert known["object_pixel"] == pytest.approx(52.0833e-6, rel=1e-5)
        assert known["longest_exposure"] == pytest.approx(104.167e-6, rel=1e-5)
        assert 1 / known["longest_exposure"] == pytest.approx(9600)

    def test_a_bullet_wants_ten_microseconds(self):
        """Common practice, no source: of that order, 300 m/s, a millimetre or three of blur."""
        known = plan(speed="300m/s", size="1280x800", field_width="1.28m", max_blur="3px")
        assert known["longest_exposure"] == pytest.approx(10e-6)
        assert any("about 10 µs" in note for note in plan(subject="bullet").notes)

    def test_frames_across(self):
        known = plan(speed="300m/s", field_width="2m", frames_across=20, capture_rate=3000)
        assert known["across_rate"] == 3000
        assert known["crossing_frames"] == 20
        assert known.notes == ()
        slow = plan(speed="300m/s", field_width="2m", frames_across=20, capture_rate=2999)
        assert "3,000 frames/s are needed" in slow.notes[0]

    def test_more_blur_than_allowed_is_said(self):
        known = plan(size="1000x1", field_width="1m", speed="10m/s", exposure="1ms", max_blur="2px")
        assert known.notes == ("blur is 10 pixels, above 2 pixels: expose for 200 µs at most",)


class TestOptics:
    def test_hyperfocal_distances(self):
        """Published: 15,625 mm and 3712.12 mm, by f²/(N c), without the focal length added."""
        known = plan(focal_length="50mm", aperture=8, circle="20um")
        assert known["hyperfocal"] - 0.050 == pytest.approx(15.625)
        known = plan(focal_length="35mm", aperture=11, circle="30um")
        assert known["hyperfocal"] - 0.035 == pytest.approx(3.71212, abs=1e-5)

    def test_depth_of_field_of_a_table(self):
        """Published: H 49 m (90 mm, f/2.8), subject at 2 m: 1.921 to 2.085 m, 0.163 m in all."""
        circle = 0.090**2 / (2.8 * 49)
        known = plan(focal_length="90mm", aperture=2.8, circle=f"{circle * 1e6}um", distance="2m")
        assert known["near"] == pytest.approx(1.921, abs=0.005)
        assert known["far"] == pytest.approx(2.085, abs=0.005)
        assert known["depth"] == pytest.approx(0.163, abs=0.01)

    def test_depth_of_field_exactly(self):
        """Computed by the exact formulas: H 10,466.7, near 2337.9, far 4185.3, 1847.4 mm."""
        known = plan(focal_length="50mm", aperture=8, circle="30um", distance="3m")
        figures = [known[name] * 1000 for name in ("hyperfocal", "near", "far", "depth")]
        assert figures == pytest.approx([10_466.7, 2337.9, 4185.3, 1847.4], abs=0.05)

    def test_beyond_the_hyperfocal_distance(self):
        known = plan(focal_length="35mm", aperture=11, circle="30um", distance="5m")
        assert math.isinf(known["far"])
        assert "infinity" in format_plan(known)
        assert json.loads(plan_json(known))["follows"]["far"]["value"] is None

    def test_close_up_both_formulas_agree(self):
        """At 1:1 the depth is 4 N c; from distances it comes to the same."""
        by_size = plan(magnification=1, aperture=8, circle="30um")
        by_distance = plan(focal_length="100mm", distance="200mm", aperture=8, circle="30um")
        assert by_size["depth"] == pytest.approx(4 * 8 * 30e-6)
        assert by_distance["magnification"] == 1
        assert by_distance["depth"] == pytest.approx(by_size["depth"], rel=0.01)

    def test_field_from_lens_and_distance(self):
        known = plan(size="1280x800", pixel_size="20um", focal_length="50mm", distance="1.05m")
        assert known["magnification"] == pytest.approx(0.05)
        assert known["field_width"] == pytest.approx(1280 * 20e-6 / 0.05)


class TestTrigger:
    def test_the_event_surely_lies_inside(self):
        """Wherever the trigger comes, and however the shares between least and most are chosen."""
        known = plan(capture_rate=1000, record_time="8s", event="200ms", uncertainty="1s")
        assert known["least_before"] == 0.125
        assert known["most_before"] == pytest.approx(1 - 1.2 / 8)
        assert known["best_frames"] == math.floor(8000 * known["best_before"])
        for share in (known["least_before"], known["best_before"], known["most_before"]):
            for late in (-1.0, 0.0, 1.0):
                onset = share * 8 - late
                assert onset >= -1e-9
                assert onset + 0.2 <= 8 + 1e-9

    def test_not_surely(self):
        known = plan(
            capture_rate=1000, record_time="8s", event="200ms", uncertainty="1s", trigger="10%"
        )
        assert "may lie outside the record: 12.5 % to 85 % are sure" in known.notes[0]
        assert known["before_trigger_s"] == 0.8

    def test_no_room(self):
        pattern = (
            r"--uncertainty 2s and --event 100ms clash with --capture-rate 1000 and --record-time"
            r" 3s: .* a record of 4.1 s, and this one is 3 s"
        )
        with pytest.raises(SettingsError, match=pattern):
            plan(capture_rate=1000, record_time="3s", event="100ms", uncertainty="2s")


class TestFlicker:
    def test_what_an_exposure_leaves(self):
        """|sinc(fT)| at 100 Hz: 1/200 s .6366, 1/1000 s .9836, 1/100 s 0 (closed form)."""
        for exposure, left in (("1/200s", 0.6366), ("1/1000s", 0.9836), ("1/100s", 0)):
            known = plan(mains="50Hz", exposure=exposure)
            assert known["ripple_seen"] == pytest.approx(left, abs=5e-5)

    @pytest.mark.parametrize(
        ("rate", "mains", "frames", "step"),
        [
            (1000, 50, 10, 0.6180),
            (1000, 60, 8.33, 0.7362),
            (5000, 50, 50, 0.1256),
            (5000, 60, 41.67, 0.1507),
            (10_000, 50, 100, 0.0628),
            (10_000, 60, 83.33, 0.0754),
        ],
    )  # closed forms
    def test_from_frame_to_frame(self, rate, mains, frames, step):
        known = plan(capture_rate=rate, mains=f"{mains}Hz")
        assert known["ripple_frames"] == pytest.approx(frames, abs=0.005)
        assert largest_step(2 * mains, rate) == pytest.approx(step, abs=5e-5)

    def test_frozen_and_folded(self):
        """120 frames/s under 100 Hz: 20 Hz; 25 and 50 under 100, 24 to 120 under 120: none."""
        known = plan(capture_rate=120, playback_rate=120, mains="50Hz")
        assert known["ripple_on_screen"] == 20
        assert all(is_still(100, rate) for rate in (25, 50, 100))
        assert all(is_still(120, rate) for rate in (24, 30, 60, 120))
        assert not is_still(100, 1000)

    def test_choices(self):
        shows = plan(capture_rate=1000, exposure="500us", mains="50Hz", playback_rate=25).notes
        assert "shows, once in 10 frames, 2.5 Hz on screen, 99.59 %" in shows[0]
        assert "100, 50, 33.33 … frames/s; or lamps on direct current" in shows[1]
        slow = plan(capture_rate=60, exposure="1/200s", mains="50Hz").notes
        assert "exposures of 10 ms;" in slow[1]
        assert "nothing shows" in plan(capture_rate=60, exposure="10ms", mains="50Hz").notes[0]
        assert "nothing shows" in plan(capture_rate=50, exposure="1ms", mains="50Hz").notes[0]


class TestClashes:
    @pytest.mark.parametrize(
        ("given", "text"),
        [
            (
                {"capture_rate": 1000, "exposure": "2ms"},
                "--capture-rate 1000 and --exposure 2ms clash: a frame lasts 1 ms in all",
            ),
            (
                {"capture_rate": 1000, "exposure": "200us", "shutter_angle": 180},
                "exposure would be 200 µs, and 500 µs; leave one of them out",
            ),
            (
                {"size": "1000x10", "field_width": "1m", "magnification": 1, "pixel_size": "20um"},
                "would be 1 mm, and 20 µm",
            ),
            (
                {"focal_length": "50mm", "distance": "40mm"},
                "--focal-length 50mm and --distance 40mm clash",
            ),
            (
                {"focal_length": "50mm", "distance": "50mm"},
                "nothing can be sharp at the focal length",
            ),
            (
                {"bit_depth": 12, "stored_bits": 8, "size": "10x10"},
                "--bit-depth 12 and --stored-bits 8 clash",
            ),
            (
                {
                    **{"size": "1280x800", "bit_depth": 12, "memory": "72GiB"},
                    **{"capture_rate": 7500, "record_time": "10s"},
                },
                "--record-time 10s clashes with --width 1280, --height 800, --bit-depth 12,"
                " --memory 72GiB and --capture-rate 7500: these give a record of 6.711 s",
            ),
            (
                {"capture_rate": 1000, "record_time": "1s", "event": "2s"},
                "--event 2s clashes with --capture-rate 1000 and --record-time 1s",
            ),
            ({"exposure": "20us"}, "nothing follows from --exposure 20us"),
            ({}, "nothing follows from nothing"),
            ({"size": "big"}, "--size 'big' is no size; write pixels across x down"),
            ({"shutterangle": 180}, "did you mean 'shutter_angle'?"),
            ({"subject": "bulet"}, "did you mean 'bullet'?"),
        ],
    )
    def test_name_the_values(self, given, text):
        with pytest.raises(SettingsError) as raised:
            plan(**given)
        assert text in str(raised.value)
        assert "\n" not in str(raised.value)

    def test_rounding_is_no_clash(self):
        plan(capture_rate=24, shutter_angle=172.8, exposure="20ms", playback_rate=24)
        plan(size="1280x800", field_width="512mm", pixel_size="20um", magnification=0.05)


class TestCautions:
    def test_of_what_hurts(self):
        hurting = {name for name, one in SUBJECTS.items() if one.caution}
        assert hurting == {"bullet", "lightning", "burst", "spark", "laser", "animal"}
        for name in hurting:
            assert plan(subject=name).cautions
        for name in ("bullet", "burst", "spark", "laser"):
            assert "local codes and licensed people" in SUBJECTS[name].caution

    def test_of_speed_and_light(self):
        fast = plan(speed="300m/s", exposure="10us")
        assert fast.cautions[0].startswith("at such a speed: projectiles")
        dark = plan(exposure="10us", reference_exposure="20ms")
        assert dark.cautions[0].startswith("lamps that make up for so much light")
        assert plan(speed="3m/s", exposure="10us").cautions == ()
        assert len(plan(speed="300m/s", exposure="10us", subject="bullet").cautions) == 1


class TestShown:
    def test_every_formula_with_its_source(self):
        assert all(rule.formula and rule.source for rule in RULES)
        assert {rule.gives for rule in RULES} | set().union(*(r.needs for r in RULES)) <= set(ALL)

    def test_why(self):
        text = format_plan(plan(capture_rate=24, shutter_angle=180), why=True)
        assert "    = shutter angle / 360° / capture rate\n" in text
        assert "      shutter angle 180°, capture rate 24 frames/s\n" in text
        assert "source: definition of the shutter angle" in text

    def test_json(self):
        said = json.loads(plan_json(plan(capture_rate=1000, exposure="500us", speed="2m/s")))
        assert said["given"]["exposure"] == {"value": 0.0005, "unit": "s", "written": "500us"}
        assert said["follows"]["blur"]["value"] == 0.001
        assert said["follows"]["blur"]["source"]
        assert said["notes"] == []

    @pytest.mark.parametrize(
        ("name", "value", "text"),
        [
            ("exposure", 0.99999, "1 s"),
            ("exposure", 0.00099999, "1 ms"),
            ("exposure", 1.25e-7, "125 ns"),
            ("record_s", 4000, "1 h 6 min"),
            ("memory", 77_309_411_328, "77.31 GB"),
            ("blur_px", 1, "1 pixel"),
            ("blur", 0, "0 m"),
            ("light_loss", 10.02, "10.0 stops"),
            ("frames", 50_331, "50,331"),
        ],
    )
    def test_figures(self, name, value, text):
        assert shown(name, value) == text

    def test_every_option_of_the_command(self):
        from flashpan.cli.plan import command

        options = {parameter.name for parameter in command.params}
        assert set(GIVEN) - {"width", "height"} <= options

    def test_from_the_package(self):
        assert flashpan.plan(capture_rate=60, playback_rate=24)["stretch"] == 2.5
        assert "stretch" in flashpan.plan(capture_rate=60, playback_rate=24)


def test_whatever_is_given_the_answer_is_of_one_piece():
    """Given any part of a consistent shot, what follows agrees with the whole of it."""
    whole = {
        **{"size": "1280x800", "bit_depth": "12", "memory": "72GiB", "capture_rate": "7500"},
        **{"playback_rate": "25", "exposure": "20us", "link": "1GB/s", "speed": "30m/s"},
        **{"pixel_size": "20um", "focal_length": "50mm", "distance": "1.05m", "aperture": "8"},
        **{"event": "30ms", "uncertainty": "1s", "mains": "50Hz", "max_blur": "1px"},
    }
    everything = plan(**whole)
    for seed in range(60):
        names = random.Random(seed).sample(sorted(whole), 8)
        part = plan(subject="drop", **{name: whole[name] for name in names})
        for name in part.facts:
            assert part[name] == pytest.approx(everything[name], rel=1e-9), (seed, name)

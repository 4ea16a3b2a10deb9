"""Clocks of a clip: playback rate, uneven time stamps, timecode, orientation, hidden frames."""

import json
import subprocess
from fractions import Fraction

import av
import numpy as np
import pytest
from cut_fixtures import cut_one, framemd5, info_of, opencv_count_and_rate
from video_fixtures import encode, frame_of, read, scene, take

N = 20
UNEVEN = [0, 1, 2, 5, 6, 9, 10, 11, 15, 16, 17, 21, 22, 23, 24, 30, 31, 32, 33, 40]
MILLISECONDS = Fraction(1, 1000)


def uneven(path, codec, pixels="yuv420p", **options):
    frames = (frame_of(scene(k, 8, 32, 128), pixels) for k in range(N))
    stamps = [40 * at for at in UNEVEN]
    return encode(path, codec, frames, pts=stamps, time_base=MILLISECONDS, options=options)


def ffprobe(path, *entries):
    """Values as the ffprobe command, which comes with ffmpeg, sees them."""
    command = ["ffprobe", "-v", "error", "-of", "json", *entries, str(path)]
    return json.loads(subprocess.run(command, capture_output=True, check=True).stdout)


def times_of(path):
    """Playback time of each frame in order of viewing, in milliseconds from the first."""
    packets = ffprobe(path, "-select_streams", "v", "-show_entries", "packet=pts_time")["packets"]
    times = sorted(Fraction(packet["pts_time"]) for packet in packets)
    return [round((time - times[0]) * 1000) for time in times]


@pytest.mark.parametrize(
    ("ending", "codec", "how", "options"),
    [
        ("mkv", "mjpeg", "auto", {}),
        ("mov", "mjpeg", "auto", {}),
        ("mp4", "libx264", "copy", {"g": "6", "bf": "2", "x264-params": "scenecut=0"}),
        ("mkv", "libx264", "copy", {"g": "6", "bf": "2", "x264-params": "scenecut=0"}),
        ("mp4", "libx264", "bridge", {"g": "6", "bf": "2", "x264-params": "scenecut=0"}),
        ("mp4", "libx264", "exact", {"g": "6", "bf": "2", "x264-params": "scenecut=0"}),
    ],
)
def test_uneven_time_stamps_are_kept(tmp_path, ending, codec, how, options):
    pixels = "yuvj420p" if codec == "mjpeg" else "yuv420p"
    path = uneven(tmp_path / f"take.{ending}", codec, pixels, **options)
    info = info_of(path)
    assert info.variable_rate
    clip = cut_one(path, 3, 14, tmp_path / "clip", info=info, how=how)
    begin = 3 - clip.head_frames
    wanted = [40 * (at - UNEVEN[begin]) for at in UNEVEN[begin : begin + clip.n_frames]]
    assert times_of(clip.path) == wanted
    said = json.loads(clip.sidecar.read_text())
    assert [Fraction(time) * 1000 for time in said["times_s"]] == wanted


@pytest.mark.parametrize("rate", [24, 25, Fraction(24000, 1001), Fraction(30000, 1001), 60])
@pytest.mark.parametrize(
    ("ending", "codec", "pixels", "how"),
    [
        ("mov", "mjpeg", "yuvj420p", "copy"),
        ("avi", "mjpeg", "yuvj420p", "copy"),
        ("mkv", "mjpeg", "yuvj420p", "copy"),
        ("mp4", "libx264", "yuv420p", "exact"),
    ],
)
def test_the_playback_rate_is_kept_exactly(tmp_path, ending, codec, pixels, how, rate):
    path = take(tmp_path / f"take.{ending}", codec, pixels, 8, rate=rate, size=(32, 128))
    clip = cut_one(path, 3, 6, tmp_path / "clip", how=how)
    info = info_of(clip.path)
    assert (info.playback_rate, info.n_frames, info.variable_rate) == (rate, 4, False)
    stream = ffprobe(clip.path, "-show_entries", "stream=avg_frame_rate")["streams"][0]
    assert Fraction(stream["avg_frame_rate"]) == rate
    assert opencv_count_and_rate(clip.path)[1] == pytest.approx(float(rate), abs=0.01)


def test_rates_of_a_camera_fit_where_the_container_does(tmp_path):
    path = take(tmp_path / "take.mov", "mjpeg", "yuvj420p", 12, rate=10_000, size=(32, 128))
    clip = cut_one(path, 3, 10, tmp_path / "clip")
    assert info_of(clip.path).playback_rate == 10_000
    path = take(tmp_path / "take.mkv", "ffv1", "gray", 40, rate=10_000, options={"g": "1"})
    clip = cut_one(path, 13, 22, tmp_path / "coarse")  # five distinct stamps for 40 frames
    assert framemd5(clip.path) == framemd5(path)[13:23]


def with_timecode(path, text, rate):
    with av.open(str(path), "w") as container:
        container.metadata["timecode"] = text
        stream = container.add_stream("mjpeg", rate=rate)
        stream.width, stream.height, stream.pix_fmt = 128, 32, "yuvj420p"
        for k in range(N):
            frame = frame_of(scene(k, 8, 32, 128), "yuvj420p")
            frame.pts, frame.time_base = k, 1 / Fraction(rate)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


@pytest.mark.parametrize(
    ("text", "rate", "first", "wanted"),
    [
        ("10:00:00:20", 25, 7, "10:00:01:02"),
        ("00:00:59;25", Fraction(30000, 1001), 5, "00:01:00;02"),
        ("00:00:59:25", Fraction(30000, 1001), 5, "00:01:00:00"),
    ],
)
def test_the_start_timecode_follows_the_take(tmp_path, text, rate, first, wanted):
    path = with_timecode(tmp_path / "take.mov", text, rate)
    for how in ("copy", "exact"):
        clip = cut_one(path, first, first + 4, tmp_path / how, how=how)
        assert clip.timecode == wanted
        tags = ffprobe(clip.path, "-show_entries", "stream_tags=timecode:format_tags=timecode")
        texts = [
            text
            for one in (*tags["streams"], tags["format"])
            for key, text in one.get("tags", {}).items()
            if key.lower() == "timecode"
        ]
        assert set(texts) == {wanted}
        assert framemd5(clip.path) == framemd5(path)[first : first + 5]


def test_mxf_counts_from_its_own_timecode(tmp_path):
    options = {"profile": "dnxhr_hq"}
    path = take(tmp_path / "take.mxf", "dnxhd", "yuv422p", 12, options=options, size=(128, 256))
    clip = cut_one(path, 9, 11, tmp_path / "clip")
    assert clip.timecode == "00:00:00:09"
    tags = ffprobe(clip.path, "-show_entries", "stream_tags=timecode:format_tags=timecode")
    assert "00:00:00:09" in json.dumps(tags)


def test_takes_without_timecode_get_none(tmp_path):
    path = take(tmp_path / "take.mov", "mjpeg", "yuvj420p", 6, size=(32, 128))
    assert cut_one(path, 2, 3, tmp_path / "clip").timecode is None


@pytest.mark.parametrize("how", ["copy", "exact"])
@pytest.mark.parametrize("degrees", [90, 180, 270])
def test_the_orientation_is_kept(tmp_path, how, degrees):
    turn = {"degrees": degrees}
    path = take(tmp_path / "take.mov", "mjpeg", "yuvj420p", 6, size=(32, 128), turn=turn)
    clip = cut_one(path, 2, 4, tmp_path / "clip", how=how)
    (info, frames), source = read(clip.path), read(path)
    assert (info.rotation, info.shape) == (source[0].rotation, source[0].shape)
    for one, other in zip(frames, source[1][2:5], strict=True):
        np.testing.assert_array_equal(one.luma, other.luma)


@pytest.mark.parametrize("how", ["copy", "exact"])
def test_frames_that_the_container_hides_are_counted_by_nobody(tmp_path, how):
    options = {"g": "10", "bf": "0", "x264-params": "scenecut=0"}
    whole = take(tmp_path / "whole.mp4", "libx264", "yuv420p", 30, options=options)
    path = tmp_path / "take.mp4"
    # a copy that begins at 0.2 s keeps the five frames before it, hidden by an edit list
    command = ["ffmpeg", "-v", "error", "-ss", "0.2", "-i", str(whole), "-c", "copy", str(path)]
    subprocess.run(command, check=True)
    info, wanted = info_of(path), framemd5(path)
    assert info.n_frames == len(wanted) < 30
    for first, last in [(0, 1), (3, 8), (10, 14), (0, len(wanted) - 1)]:
        clip = cut_one(path, first, last, tmp_path / f"{how}{first}-{last}", info=info, how=how)
        found = framemd5(clip.path)
        assert found[clip.head_frames :][: last - first + 1] == wanted[first : last + 1]
        assert len(found) == clip.n_frames


@pytest.mark.parametrize("how", ["copy", "exact"])
def test_the_range_of_values_is_kept(tmp_path, how):
    for pixels, limited in [("yuv420p", True), ("yuvj420p", False)]:
        folder = tmp_path / pixels
        folder.mkdir()
        path = take(folder / "take.mp4", "libx264", pixels, 6, options={"g": "1"})
        assert info_of(path).limited_range == limited
        clip = cut_one(path, 2, 4, folder / "clip", how=how)
        assert info_of(clip.path).limited_range == limited


def test_tags_and_comment_of_the_take_live_on(tmp_path):
    path = tmp_path / "take.mov"
    with av.open(str(path), "w") as container:
        container.metadata["title"] = "drop on glass"
        container.metadata["comment"] = "lens 100 mm"
        stream = container.add_stream("mjpeg", rate=25)
        stream.width, stream.height, stream.pix_fmt = 128, 32, "yuvj420p"
        for k in range(4):
            frame = frame_of(scene(k, 8, 32, 128), "yuvj420p")
            frame.pts = k
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    clip = cut_one(path, 1, 2, tmp_path / "clip")
    tags = ffprobe(clip.path, "-show_entries", "format_tags")["format"]["tags"]
    assert tags["title"] == "drop on glass"
    assert tags["comment"].startswith("lens 100 mm | source=take.mov; first=1; last=2")


@pytest.mark.parametrize(
    ("ending", "codec", "how"),
    [("mov", "mjpeg", "copy"), ("mov", "mjpeg", "exact"), ("mp4", "libx264", "bridge")],
)
def test_sound_is_left_out_and_said_so_whatever_the_way(tmp_path, ending, codec, how):
    path = tmp_path / f"take.{ending}"
    coded = ["-c:v", codec, "-g", "4", "-bf", "0", "-pix_fmt", "yuvj420p", "-c:a", "aac"]
    sound = ["-f", "lavfi", "-i", "sine=d=0.4"]
    from_lavfi(path, "testsrc=s=64x48:d=0.4:r=25", *sound, *coded)
    clip = cut_one(path, 2, 5, tmp_path / "clip", how=how)
    assert "the take's audio is left out of the clip" in clip.warnings
    assert framemd5(clip.path)[clip.recoded_frames :] == framemd5(path)[2:6][clip.recoded_frames :]


def from_lavfi(path, pictures, *words):
    """A take by the ffmpeg command."""
    command = ["ffmpeg", "-v", "error", "-f", "lavfi", "-i", pictures, *words, str(path)]
    subprocess.run(command, check=True)


SHAPED = ["-vf", "setsar=4/3", "-metadata:s:v", "language=fra", "-timecode", "01:00:00:00"]


@pytest.mark.parametrize(
    ("ending", "codec", "pixels", "how"),
    [
        ("mov", "prores_ks", "yuv422p10le", "copy"),
        ("mov", "rawvideo", "uyvy422", "copy"),
        ("mp4", "libx264", "yuv420p", "copy"),
        ("mp4", "libx264", "yuv420p", "bridge"),
        ("mkv", "ffv1", "yuv420p", "copy"),
        ("mp4", "libx264", "yuv420p", "exact"),
    ],
)
def test_the_shape_of_pixels_and_tags_of_the_pictures_are_kept(
    tmp_path, ending, codec, pixels, how
):
    path = tmp_path / f"take.{ending}"
    coded = ["-c:v", codec, "-pix_fmt", pixels, "-g", "1" if codec == "ffv1" else "4"]
    coded += ["-level", "3"] if codec == "ffv1" else []
    from_lavfi(path, "testsrc=s=64x48:d=0.4:r=25", *SHAPED, *coded)
    clip = cut_one(path, 2, 8, tmp_path / "clip", how=how)
    shown = ffprobe(clip.path, "-show_entries", "frame=sample_aspect_ratio", "-select_streams", "v")
    assert {frame["sample_aspect_ratio"] for frame in shown["frames"]} == {"4:3"}
    assert ffprobe(clip.path, "-show_streams")["streams"][0]["tags"]["language"] == "fra"
    assert not any("pixels" in text for text in clip.warnings)


@pytest.mark.parametrize("codec", ["prores_ks", "ffv1"])
def test_where_nothing_tells_the_shape_of_pixels_it_is_said(tmp_path, codec):
    path = tmp_path / "take.mkv"
    coded = ["-c:v", codec, "-pix_fmt", "yuv422p", "-g", "1"]
    from_lavfi(path, "testsrc=s=64x48:d=0.4:r=25", *SHAPED, *coded)
    clip = cut_one(path, 2, 8, tmp_path / "clip")
    assert clip.warnings == ("the clip does not say that its pixels are 4/3 as wide as high",)


def test_the_reel_is_kept(tmp_path):
    path = tmp_path / "take.mxf"
    coded = ["-c:v", "dnxhd", "-profile:v", "dnxhr_hq", "-pix_fmt", "yuv422p"]
    from_lavfi(path, "testsrc=s=256x128:d=0.4:r=25", "-metadata", "reel_name=A001", *coded)
    clip = cut_one(path, 2, 8, tmp_path / "clip")
    assert ffprobe(clip.path, "-show_streams")["streams"][0]["tags"]["reel_name"] == "A001"

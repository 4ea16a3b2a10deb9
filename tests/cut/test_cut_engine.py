"""What surrounds a clip: its name, its proof, its sidecar, and the safety of the source."""

import errno
import hashlib
import json
import os
from dataclasses import replace
from fractions import Fraction

import av
import numpy as np
import pytest
from cut_fixtures import cut_one, framemd5, info_of, left_over
from video_fixtures import encode, frame_of, palette_frame, scene, take

from flashpan.cut import engine, remux
from flashpan.cut.base import Cut, How
from flashpan.cut.engine import cut_ranges
from flashpan.errors import ClipDiffers, CutRefused, TakeError, UsageError
from flashpan.ranges import Span

N = 12


@pytest.fixture
def mjpeg(tmp_path):
    return take(tmp_path / "take.avi", "mjpeg", "yuvj420p", N, size=(32, 128))


def test_the_source_is_never_touched(mjpeg, tmp_path):
    before = mjpeg.read_bytes(), os.stat(mjpeg).st_mtime_ns
    mjpeg.chmod(0o444)
    for how in How:
        if how is not How.BRIDGE:
            cut_one(mjpeg, 2, 5, tmp_path / how, how=how)
    assert (mjpeg.read_bytes(), os.stat(mjpeg).st_mtime_ns) == before


def test_nothing_is_overwritten_unasked(mjpeg, tmp_path):
    clip = cut_one(mjpeg, 2, 5, tmp_path / "clip")
    there = clip.path.read_bytes()
    with pytest.raises(TakeError, match=r"clip\.avi exists already; give --overwrite"):
        cut_one(mjpeg, 3, 5, tmp_path / "clip")
    assert clip.path.read_bytes() == there
    assert cut_one(mjpeg, 3, 5, tmp_path / "clip", overwrite=True).n_frames == 3
    assert left_over(tmp_path) == []


def test_a_sidecar_that_lost_its_clip_is_replaced(mjpeg, tmp_path):
    (tmp_path / "clip.avi.clip.json").write_text("{}")
    clip = cut_one(mjpeg, 2, 5, tmp_path / "clip")
    assert json.loads(clip.sidecar.read_text())["first"] == 2


def test_a_clip_never_replaces_its_take(mjpeg, tmp_path):
    before = mjpeg.read_bytes()
    with pytest.raises(TakeError, match="is or holds the take itself"):
        cut_one(mjpeg, 2, 5, tmp_path / "take", overwrite=True)
    assert mjpeg.read_bytes() == before


def test_a_clip_that_differs_is_kept_marked_and_fails(mjpeg, tmp_path, monkeypatch):
    def shifted(cut, table, part):
        later = replace(cut, span=Span(cut.span.start + 1, cut.span.stop + 1))
        return remux.copy_passage(later, table, part)

    monkeypatch.setattr(engine, "copy_passage", shifted)
    with pytest.raises(ClipDiffers) as caught:
        cut_one(mjpeg, 2, 5, tmp_path / "clip")
    assert caught.value.exit_code == 3
    assert "4 of 4 frames differ, the first is frame 2" in str(caught.value)
    assert not (tmp_path / "clip.avi").exists()
    marked = tmp_path / "clip.differs.avi"
    assert info_of(marked).n_frames == 4
    said = json.loads((tmp_path / "clip.differs.avi.clip.json").read_text())
    assert said["verified"] is False
    assert "frames differ" in said["difference"]
    with pytest.raises(ClipDiffers):
        cut_one(mjpeg, 2, 5, tmp_path / "clip")
    assert (tmp_path / "clip.differs-2.avi").exists()
    assert left_over(tmp_path) == []


@pytest.mark.parametrize("damage", ["bit", "frame", "file"])
def test_any_damage_to_the_clip_is_seen(tmp_path, monkeypatch, damage):
    path = take(tmp_path / "take.avi", "rawvideo", "gray", N, size=(32, 128))

    def harmed(cut, table, part):
        written = remux.copy_passage(cut, table, part)
        data = bytearray(part.read_bytes())
        if damage == "bit":
            data[len(data) // 2] ^= 1
        part.write_bytes(data if damage == "bit" else data[: 6000 if damage == "frame" else 64])
        return written

    monkeypatch.setattr(engine, "copy_passage", harmed)
    with pytest.raises(ClipDiffers):
        cut_one(path, 2, 5, tmp_path / "clip")
    assert not (tmp_path / "clip.avi").exists()


def test_without_proof_it_says_so(mjpeg, tmp_path):
    clip = cut_one(mjpeg, 2, 5, tmp_path / "clip", verify=False)
    assert clip.verified is None
    assert clip.hashes == ()
    said = json.loads(clip.sidecar.read_text())
    assert (said["verified"], said["frame_hashes"]) == (None, [])


def test_sidecar_and_comment_say_what_the_clip_is(mjpeg, tmp_path):
    info = replace(
        info_of(mjpeg), capture_rate=Fraction(100_000), trigger_frame=5, playback_rate=Fraction(25)
    )
    clip = cut_one(mjpeg, 2, 8, tmp_path / "clip", info=info, onsets=(4, 7))
    said = json.loads(clip.sidecar.read_text())
    assert clip.sidecar == tmp_path / "clip.avi.clip.json"
    assert said["clip"] == "clip.avi"
    assert (said["source"], said["first"], said["last"], said["frames"]) == ("take.avi", 2, 8, 7)
    assert (said["onsets"], said["onset_s"]) == ([4, 7], "-1/100000")
    assert said["onsets_s"] == ["-1/100000", "1/50000"]
    assert (said["capture_rate"], said["playback_rate"]) == ("100000", "25")
    assert said["take"]["frames"] == N
    assert said["verified"] is True
    assert said["frame_hashes"] == framemd5(clip.path)
    lines = "".join(f"{one}\n" for one in said["frame_hashes"])
    assert said["digest_sha256"] == clip.digest == hashlib.sha256(lines.encode()).hexdigest()
    with av.open(str(clip.path)) as container:
        comment = container.metadata["comment"]
    assert comment == (
        "source=take.avi; first=2; last=8; onsets=4,7; onset_s=-1/100000; "
        "onsets_s=-1/100000,1/50000; trigger_frame=5; capture_rate=100000; playback_rate=25"
    )


def test_ranges_outside_the_take_are_refused(mjpeg, tmp_path):
    for first, last in [(0, N), (5, 4), (-1, 3)]:
        with pytest.raises(UsageError, match="numbered from 0"):
            cut_one(mjpeg, first, last, tmp_path / "clip")
    unknown = replace(info_of(mjpeg), n_frames=None)
    with pytest.raises(UsageError, match=f"has {N} frames, and no frame {N}"):
        cut_one(mjpeg, 0, N, tmp_path / "clip", info=unknown)
    with pytest.raises(UsageError, match="pipe"):
        cut_one("-", 0, 1, tmp_path / "clip", info=replace(unknown, path="-"))


def test_many_ranges_of_a_take_share_its_table(mjpeg, tmp_path, monkeypatch):
    tables = []
    read = engine.packet_table
    monkeypatch.setattr(engine, "packet_table", lambda *known: tables.append(1) or read(*known))
    info = info_of(mjpeg)
    cuts = [Cut(take=info, span=Span(k, k + 2), target=tmp_path / f"c{k}") for k in range(5)]
    assert [clip.first for clip in cut_ranges(cuts)] == list(range(5))
    assert len(tables) == 1


def test_frames_are_counted_where_the_take_was_not_read_whole(mjpeg, tmp_path):
    clip = cut_one(mjpeg, 3, 4, tmp_path / "clip", info=replace(info_of(mjpeg), n_frames=None))
    assert framemd5(clip.path) == framemd5(mjpeg)[3:5]


def test_a_full_disk_leaves_nothing(mjpeg, tmp_path, monkeypatch):
    def full(cut, table, part):
        remux.copy_passage(cut, table, part)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(engine, "copy_passage", full)
    with pytest.raises(TakeError, match=r"No space left on device.*free some space"):
        cut_one(mjpeg, 3, 4, tmp_path / "clip")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["take.avi"]


def test_what_a_muxer_does_not_support_is_no_fault_of_the_disk(mjpeg, tmp_path, monkeypatch):
    def unable(cut, table, part):
        av.error.err_check(-errno.ENOTSUP)

    monkeypatch.setattr(engine, "copy_passage", unable)
    with pytest.raises(CutRefused, match=r"cannot be written so .*; choose another --how"):
        cut_one(mjpeg, 3, 4, tmp_path / "clip", how="copy")
    assert cut_one(mjpeg, 3, 4, tmp_path / "clip").how == "exact"


def coloured(pixels, n_frames=4):
    draw = np.random.default_rng(7)
    for _ in range(n_frames):
        rgb = draw.integers(0, 256, (48, 64, 3), dtype=np.uint8)
        yield av.VideoFrame.from_ndarray(rgb, format="rgb24").reformat(format=pixels)


@pytest.mark.parametrize(
    ("codec", "ending", "pixels"),
    [
        ("rawvideo", "avi", "yuyv422"),
        ("rawvideo", "nut", "nv12"),
        ("rawvideo", "avi", "rgb24"),
        ("rawvideo", "nut", "gbrp"),
        ("png", "mov", "rgb48be"),
        ("gif", "gif", "bgr8"),
    ],
)
def test_exact_keeps_samples_that_ffv1_arranges_otherwise(tmp_path, codec, ending, pixels):
    path = encode(tmp_path / f"take.{ending}", codec, coloured(pixels))
    native = info_of(path).pixel_format
    clip = cut_one(path, 1, 2, tmp_path / "clip", how="exact")
    assert clip.verified is True
    assert framemd5(clip.path, pixels=native) == framemd5(path, pixels=native)[1:3]


def test_samples_that_no_lossless_format_holds_are_refused(tmp_path):
    path = encode(tmp_path / "take.nut", "rawvideo", coloured("rgb565le"))
    with pytest.raises(CutRefused, match="rgb565le samples unchanged; use --how copy"):
        cut_one(path, 1, 2, tmp_path / "clip", how="exact")
    assert cut_one(path, 1, 2, tmp_path / "clip").how == "copy"


@pytest.mark.parametrize("ending", ["avi", "mov", "nut"])
@pytest.mark.parametrize("colour", ["grey", "any"])
def test_a_palette_goes_with_every_clip(tmp_path, ending, colour):
    """Cameras write grey pictures of 8 bits so: the palette stands at the take's beginning only."""
    palette = np.repeat(np.arange(256, dtype=np.uint8)[::-1, None], 3, axis=1)
    if colour == "any":
        palette = np.random.default_rng(5).integers(0, 256, (256, 3)).astype(np.uint8)
    frames = [palette_frame(index, palette) for index in range(N)]
    path = encode(tmp_path / f"take.{ending}", "rawvideo", frames)
    info, wanted = info_of(path), framemd5(path)
    assert info.pixel_format == "pal8"
    for first, last in [(0, 0), (3, 5), (N - 1, N - 1), (0, N - 1)]:
        clip = cut_one(path, first, last, tmp_path / f"c{first}{last}", info=info)
        assert (clip.how, clip.verified) == ("copy", True)
        assert framemd5(clip.path) == wanted[first : last + 1]
    with pytest.raises(CutRefused, match="pal8 samples unchanged; use --how copy"):
        cut_one(path, 1, 2, tmp_path / "exact", info=info, how="exact")


def test_gif_frames_build_on_one_another(tmp_path):
    path = encode(tmp_path / "take.gif", "gif", coloured("bgr8"))
    clip = cut_one(path, 2, 3, tmp_path / "clip")
    assert (clip.how, clip.verified) == ("exact", True)
    with pytest.raises(CutRefused, match="gif files cannot be written; use --how exact"):
        cut_one(path, 2, 3, tmp_path / "copied", how="copy")


def test_streams_without_time_stamps_are_stored_exactly(tmp_path):
    options = {"g": "4", "bf": "2"}
    path = take(tmp_path / "take.264", "libx264", "yuv420p", N, options=options, size=(32, 128))
    clip = cut_one(path, 5, 7, tmp_path / "clip")
    assert (clip.how, framemd5(clip.path)) == ("exact", framemd5(path)[5:8])
    with pytest.raises(CutRefused, match="use --how exact"):
        cut_one(path, 5, 7, tmp_path / "copied", how="copy")


@pytest.mark.parametrize("more", ["", ":open-gop=1:b-pyramid=normal:keyint=4:bframes=4"])
def test_reordered_h264_in_avi_is_stored_exactly(tmp_path, more):
    options = {"g": "8", "bf": "3", "x264-params": f"b-adapt=0:scenecut=0:threads=1{more}"}
    path = take(tmp_path / "take.avi", "libx264", "yuv420p", 30, options=options, size=(32, 128))
    info, wanted = info_of(path), framemd5(path)
    for first, last in [(5, 9), (13, 14), (26, 29)]:
        clip = cut_one(path, first, last, tmp_path / f"clip{first}", info=info)
        assert (clip.how, framemd5(clip.path)) == ("exact", wanted[first : last + 1])
    with pytest.raises(CutRefused, match="in a known order; use --how exact"):
        cut_one(path, 13, 14, tmp_path / "copied", info=info, how="copy")


@pytest.mark.parametrize("first", [0, 5, 9])
@pytest.mark.parametrize("codec", ["mpeg4", "libx265"])
def test_wrong_marks_of_keyframes_are_seen_through(tmp_path, codec, first):
    quiet = {"x265-params": "log-level=none:pools=1:keyint=12:bframes=0"}
    options = quiet if codec == "libx265" else {"g": "12", "bf": "0"}
    path = take(tmp_path / "take.mp4", codec, "yuv420p", N, options=options, size=(32, 128))
    wanted = framemd5(path)
    # without its sync sample box (ISO/IEC 14496-12, 8.6.2) every frame counts as a keyframe
    path.write_bytes(path.read_bytes().replace(b"stss", b"free"))
    clip = cut_one(path, first, first + 2, tmp_path / "clip")
    assert (clip.how, framemd5(clip.path)) == ("exact", wanted[first : first + 3])
    with pytest.raises(CutRefused, match="use --how exact"):
        cut_one(path, first, first + 2, tmp_path / "copied", how="copy")


def test_frames_that_only_seem_to_stand_alone_are_stored_exactly(tmp_path):
    """RPZA leaves out blocks that stay as they were, and calls every frame a keyframe.

    The ffmpeg command, which decodes the take from its beginning, is the judge.
    """
    frames = (frame_of(scene(0, 8, 48, 64), "gray").reformat(format="rgb555le") for _ in range(N))
    path = encode(tmp_path / "take.mov", "rpza", frames)
    with pytest.raises(CutRefused, match=r"no whole frames in a known order|samples unchanged"):
        cut_one(path, 3, 5, tmp_path / "clip")


def test_a_transport_stream_is_no_container_for_a_single_small_frame(tmp_path):
    options = {"g": "1"}
    path = take(tmp_path / "take.ts", "mpeg2video", "yuv420p", N, options=options, size=(32, 128))
    clip = cut_one(path, 5, 5, tmp_path / "clip")
    assert (clip.how, clip.verified) == ("exact", True)
    with pytest.raises(CutRefused, match="so few bytes is not known as one; use --how exact"):
        cut_one(path, 5, 5, tmp_path / "copied", how="copy")


def test_a_damaged_packet_shifts_no_frame(tmp_path):
    path = take(tmp_path / "take.mov", "png", "gray", N, size=(32, 128))
    parts = path.read_bytes().split(b"\x89PNG")
    path.write_bytes(b"\x89PNG".join(parts[:5]) + b"\0PNG" + b"\x89PNG".join(parts[5:]))
    info = info_of(path)
    assert info.n_frames == N - 1
    clip = cut_one(path, 2, 6, tmp_path / "clip", info=info)
    assert (clip.how, clip.n_frames, clip.verified) == ("copy", 5, True)
    lumas = [frame.luma for frame in _frames(path)][2:7]
    for one, other in zip(lumas, [frame.luma for frame in _frames(clip.path)], strict=True):
        np.testing.assert_array_equal(one, other)


def _frames(path):
    from flashpan.readers.open import open_take

    with open_take(path) as reader:
        return list(reader)


def test_refreshing_bit_by_bit_is_no_place_to_begin(tmp_path):
    options = {"g": "8", "x264-params": "intra-refresh=1:scenecut=0:bframes=0:threads=1"}
    path = take(tmp_path / "take.mp4", "libx264", "yuv420p", 20, options=options)
    wanted = framemd5(path)
    clip = cut_one(path, 17, 18, tmp_path / "clip", how="copy")
    found = framemd5(clip.path)
    assert found[clip.head_frames :][:2] == wanted[17:19]
    assert framemd5(cut_one(path, 17, 18, tmp_path / "clip").path) == wanted[17:19]


def test_scene_is_what_is_stored(tmp_path):
    """The luma of an exact clip of an exact take is the very picture that was drawn."""
    frames = (frame_of(scene(k, 12), "gray12le") for k in range(6))
    path = encode(tmp_path / "take.mkv", "ffv1", frames, options={"g": "6"})
    clip = cut_one(path, 2, 4, tmp_path / "clip")
    for k, frame in enumerate(_frames(clip.path)):
        np.testing.assert_array_equal(frame.luma, scene(2 + k, 12))

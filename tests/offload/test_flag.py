"""What to copy of each take, held against the bytes and frames themselves."""

from contextlib import nullcontext

import av
import numpy as np
import pytest
from offload_fixtures import KEPT, ODD, RAW
from trim_fixtures import state

import flashpan
from flashpan.errors import UsageError
from flashpan.units import Duration


def test_every_take_in_its_form(by_place):
    assert {place: str(one.form) for place, one in by_place.items()} == {
        "burst.bin": "bytes",
        f"{ODD}/-drop.npy": "bytes",
        "columns.npy": "whole",
        "quiet.npy": "nothing",
        "spark.y4m": "bytes",
        "stills": "files",
        "tower/intra.mov": "packets",
        "tower/long.mp4": "packets",
    }


def test_the_frames_are_those_of_find(by_place, card):
    for place, one in by_place.items():
        wanted = [] if place == "quiet.npy" else KEPT
        assert [(part.first, part.last) for part in one.parts] == wanted, place
    settings = flashpan.Settings.from_mapping(
        {"pre_roll": "4", "post_roll": "5", "merge_gap": "3", "raw": "64x48:Mono8+16"}
    )
    log = flashpan.find(card / "burst.bin", settings)
    assert [(kept.first, kept.last) for kept in log.ranges] == KEPT


@pytest.mark.parametrize("place", ["burst.bin", f"{ODD}/-drop.npy", "spark.y4m"])
def test_byte_ranges_hold_the_frames(by_place, card, shots, place):
    data = (card / place).read_bytes()
    for part in by_place[place].parts:
        (span,) = part.spans
        held = data[span.first : span.last + 1]
        marker = b"FRAME\n" if place.endswith("y4m") else b""
        assert held == b"".join(
            marker + shot.tobytes() for shot in shots[part.first : part.last + 1]
        )


def frames_of(path, start=0):
    """Pictures by their time stamps, from a keyframe on, as FFmpeg decodes them."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.codec_context.thread_count = 1
        if start:
            container.seek(start, stream=stream)
        pictures = {}
        for packet in container.demux(stream):
            try:
                decoded = packet.decode()
            except av.FFmpegError:
                continue  # what was not copied is zeros
            pictures |= {frame.pts: frame.to_ndarray(format="gray") for frame in decoded}
        return pictures


@pytest.mark.parametrize("place", ["tower/intra.mov", "tower/long.mp4"])
def test_bytes_of_packets_and_container_decode_to_the_frames(by_place, card, tmp_path, place):
    """A file with those bytes alone, at their places: FFmpeg gives the kept frames, bit for bit."""
    one, whole = by_place[place], (card / place).read_bytes()
    sparse = bytearray(len(whole))
    for span in one.laid.spans:
        sparse[span.first : span.last + 1] = whole[span.first : span.last + 1]
    path = tmp_path / (card / place).name
    path.write_bytes(sparse)
    assert sum(map(bool, sparse)) < 0.6 * sum(map(bool, whole))
    wanted = frames_of(card / place)
    stamps = sorted(wanted)
    for part in one.parts:
        got = frames_of(path, stamps[part.first])
        for stamp in stamps[part.first : part.last + 1]:
            assert np.array_equal(got[stamp], wanted[stamp])


def test_long_gop_begins_at_the_keyframe_before(by_place):
    first, second = by_place["tower/long.mp4"].parts
    assert (first.head_frames, second.head_frames) == (6, 16)  # a keyframe every 20 frames
    assert first.packets[0] == 40
    assert second.packets[0] == 80


def test_stills_are_listed_by_name(by_place):
    names = [name for part in by_place["stills"].parts for name in part.files]
    assert names[0] == "stills/;s 0046.png"
    assert len(names) == 32


def test_sums_and_the_time_saved(flagged, by_place):
    assert flagged.saved_s == pytest.approx(flagged.saved_bytes / 3000)
    assert by_place["burst.bin"].n_bytes == 16 + 32 * 64 * 48
    assert by_place["columns.npy"].saved_bytes == 0
    assert flagged.n_bytes == sum(one.n_bytes for one in flagged.takes)


def test_a_bad_take_costs_itself_only(flagged):
    (failure,) = flagged.failed
    assert failure.path.endswith("bad.mp4")
    assert flagged.exit_code == 3
    assert len(flagged.takes) == 8


def test_the_source_is_only_read(card, tmp_path):
    before = state(card / "burst.bin"), state(card / "stills")
    flashpan.flag(card / "burst.bin", flashpan.Settings(raw="64x48:Mono8+16"), to=tmp_path / "d")
    assert (state(card / "burst.bin"), state(card / "stills")) == before


def test_one_take_is_a_source_too(card):
    (one,) = flashpan.flag(card / "burst.bin").takes
    assert one.place == "burst.bin"
    assert [(part.first, part.last) for part in one.parts] == KEPT
    assert RAW.startswith('[take."burst.bin"]')  # the geometry came from the file beside it


def test_source_and_destination_may_not_hold_each_other(card, tmp_path):
    with pytest.raises(UsageError, match="choose a folder outside of the source"):
        flashpan.flag(card, to=card / "copy")
    with pytest.raises(UsageError, match="lies in"):
        flashpan.flag(card, to=card.parent)
    with pytest.raises(UsageError, match="no such file or folder"):
        flashpan.flag(tmp_path / "none")


N_LONG = 300_000


@pytest.fixture(scope="module")
def long_take(tmp_path_factory):
    """Noise of 12 by 16 pixels, and one flash of 220 frames."""
    path = tmp_path_factory.mktemp("long") / "long.raw"
    draw = np.random.default_rng(5)
    with path.open("wb") as file:
        for start in range(0, N_LONG, 10_000):
            luma = draw.normal(60, 2, (10_000, 12, 16)).astype(np.float32)
            if start == 70_000:
                luma[:220] += 40
            file.write(np.rint(luma).astype(np.uint8).tobytes())
    return path


def test_a_long_raw_take_is_hardly_read(long_take):
    settings = flashpan.Settings(raw="16x12:Mono8", shortest_event=Duration.of_frames(200))
    (one,) = flashpan.flag(long_take, settings).takes
    assert [event.onset for event in one.log.events] == [70_000]
    assert one.log.events[0].end in (70_219, 70_220)
    assert one.log.warnings == ()
    assert one.bytes_read < 0.05 * long_take.stat().st_size


def test_what_changed_meanwhile_is_not_copied(card, tmp_path):
    take = tmp_path / "card" / "burst.bin"
    take.parent.mkdir()
    take.write_bytes((card / "burst.bin").read_bytes())

    def change(info, first):
        """After the search has begun."""
        return nullcontext(lambda frame: take.write_bytes(bytes(16 + 3072 * 121)) if frame else 0)

    settings = flashpan.Settings(raw="64x48:Mono8+16")
    done = flashpan.flag(take, settings, to=tmp_path / "copy", follow=change)
    assert "has changed since it was searched; run again" in str(done.failed[0].error)
    assert not (tmp_path / "copy" / "burst.bin").exists()

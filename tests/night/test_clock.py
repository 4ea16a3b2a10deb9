"""When a take was shot. All takes are invented."""

import os

import av
import numpy as np
import pytest

from flashpan.night.clock import shot_at

EVENING_NS = 1_700_000_000_000_000_000  # 2023-11-14 22:13:20 UTC


def video(path, metadata, stream_metadata=None):
    with av.open(str(path), "w") as container:
        container.metadata.update(metadata)
        stream = container.add_stream("mjpeg", rate=25)
        stream.width = stream.height = 32
        stream.pix_fmt = "yuvj420p"
        stream.metadata.update(stream_metadata or {})
        frame = av.VideoFrame.from_ndarray(np.zeros((32, 32), np.uint8), format="gray")
        for packet in [*stream.encode(frame.reformat(format="yuvj420p")), *stream.encode()]:
            container.mux(packet)
    os.utime(path, ns=(0, EVENING_NS))
    return str(path)


@pytest.mark.parametrize("suffix", [".mp4", ".mov", ".mkv"])
@pytest.mark.parametrize(
    ("said", "at"),
    [
        ("2023-11-14T20:30:00.000000Z", "2023-11-14T20:30:00+00:00"),
        ("2023-11-14T22:30:00+02:00", "2023-11-14T20:30:00+00:00"),
    ],
)
def test_as_the_container_says(tmp_path, suffix, said, at):
    shot = shot_at(video(tmp_path / f"a{suffix}", {"creation_time": said}))
    assert (shot.at, shot.source) == (at, "container")


@pytest.mark.parametrize(
    "metadata",
    [
        {},
        {"creation_time": "1904-01-01T00:00:00.000000Z"},
        {"creation_time": "1970-01-01T00:00:00.000000Z"},
    ],
)
def test_as_the_file_says_where_the_clock_was_never_set(tmp_path, metadata):
    shot = shot_at(video(tmp_path / "a.mp4", metadata))
    assert (shot.at, shot.source) == ("2023-11-14T22:13:20+00:00", "file")


@pytest.mark.parametrize("said", ["2023", "2023-11-14", "yesterday, at about eight"])
def test_a_date_alone_says_nothing_of_the_hour(tmp_path, said):
    assert shot_at(video(tmp_path / "a.mkv", {"date": said})).source == "file"


def test_other_takes_by_their_file(tmp_path):
    for name in ("a.npy", "damaged.mp4"):
        (tmp_path / name).write_bytes(b"x" * 40)
        os.utime(tmp_path / name, ns=(0, EVENING_NS))
        shot = shot_at(str(tmp_path / name))
        assert (shot.at, shot.source) == ("2023-11-14T22:13:20+00:00", "file")


def test_stills_by_the_latest(tmp_path):
    for number in (1, 2, 3):
        (tmp_path / f"s{number}.tif").write_bytes(b"x")
        os.utime(tmp_path / f"s{number}.tif", ns=(0, EVENING_NS - (number - 2) ** 2 * 10**12))
    assert shot_at(str(tmp_path)).at == "2023-11-14T22:13:20+00:00"


def test_what_is_gone(tmp_path):
    assert shot_at(str(tmp_path / "gone.mp4")).at == ""

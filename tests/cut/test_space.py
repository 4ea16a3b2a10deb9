import os

import av
import numpy as np
import pytest
import video_fixtures as video
from hypothesis import given, settings
from hypothesis import strategies as st

from flashpan.atomic import new_file
from flashpan.cut.space import (
    Need,
    files_need,
    format_bytes,
    lossless_need,
    packets_need,
    raw_need,
    require_space,
)
from flashpan.errors import TakeError


def a_need(n_bytes, n_files=1):
    return Need(n_bytes, n_files, "a guess")


class TestNeeds:
    @pytest.mark.parametrize(
        ("ending", "codec", "pixels"),
        [
            (".mov", "mjpeg", "yuvj420p"),
            (".avi", "mjpeg", "yuvj420p"),
            (".mkv", "ffv1", "gray"),
            (".mp4", "libx264", "yuv420p"),
            (".nut", "rawvideo", "gray"),
        ],
    )
    def test_packets_are_never_more_than_foretold(self, tmp_path, ending, codec, pixels):
        path = video.take(tmp_path / f"a{ending}", codec, pixels, 200)
        with av.open(path) as container:
            sizes = [packet.size for packet in container.demux(video=0)]
        need = packets_need(sizes)
        assert path.stat().st_size <= need.n_bytes
        assert need.n_bytes <= path.stat().st_size + 200 * 64 + 70_000

    @pytest.mark.parametrize("bits", [8, 12, 16])
    def test_noise_in_every_bit_fits_the_worst_case(self, tmp_path, bits):
        rng = np.random.default_rng(1)
        kind = np.uint8 if bits == 8 else np.uint16
        pixels = {8: "gray", 12: "gray12le", 16: "gray16le"}[bits]
        noise = (rng.integers(0, 1 << bits, (64, 96)).astype(kind) for _ in range(20))
        path = video.encode(
            tmp_path / "a.mkv", "ffv1", (video.frame_of(picture, pixels) for picture in noise)
        )
        assert path.stat().st_size <= lossless_need(20, 64 * 96, bits).n_bytes

    def test_files_and_raw_frames_are_what_they_are(self):
        assert files_need([10, 20]) == Need(30, 2, "the sizes of its files")
        assert raw_need(5, 100, 16).n_bytes == 516


class TestRequireSpace:
    def test_tells_the_estimate_for_printing(self, tmp_path):
        space = require_space(tmp_path / "not" / "there", [a_need(10_000), a_need(2_000_000)])
        assert space.missing_bytes == 0
        assert str(space).startswith("about 2 MB to write, ")

    def test_refuses_with_the_numbers_and_the_cure(self, tmp_path):
        disk = os.statvfs(tmp_path)
        free = disk.f_bavail * disk.f_frsize
        with pytest.raises(TakeError) as error:
            require_space(tmp_path, [a_need(free + 10**9)], reserve_bytes=0)
        text = str(error.value)
        assert text.startswith(f"{tmp_path}: the clips need about ")
        assert "must stay free; free " in text
        assert "choose another folder or give a smaller --budget" in text
        assert "\n" not in text

    def test_never_to_the_last_byte(self, small_disk):
        require_space(small_disk, [])
        (small_disk / "filler").write_bytes(b"x" * 4096)
        with pytest.raises(TakeError, match=r"need about 4\.1 kB .*must stay free"):
            require_space(small_disk, [a_need(1)])

    def test_the_reserve_can_be_set(self, small_disk):
        require_space(small_disk, [a_need(500_000)], reserve_bytes=100_000)
        with pytest.raises(TakeError, match="100 kB must stay free"):
            require_space(small_disk, [a_need(950_000)], reserve_bytes=100_000)

    @settings(deadline=None)
    @given(st.integers(0, 1 << 20), st.integers(0, 1 << 20))
    def test_what_is_allowed_leaves_the_reserve(self, n_bytes, reserve):
        class Disk:
            f_blocks, f_bavail, f_frsize, f_files, f_favail = 256, 128, 4096, 0, 0

        free = Disk.f_bavail * Disk.f_frsize
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(os, "statvfs", lambda _: Disk)
            try:
                space = require_space("/", [a_need(n_bytes)], reserve)
            except TakeError:
                assert n_bytes + Disk.f_frsize + reserve > free
            else:
                assert space.free_bytes - space.needed_bytes >= reserve

    def test_counts_files_as_well(self, monkeypatch):
        class Disk:
            f_blocks, f_bavail, f_frsize, f_files, f_favail = 1 << 30, 1 << 29, 4096, 1000, 10

        monkeypatch.setattr(os, "statvfs", lambda _: Disk)
        require_space("/", [a_need(10, 10)])
        with pytest.raises(TakeError, match="the clips are 11 files and the disk takes 10 more"):
            require_space("/", [a_need(10, 11)])

    def test_a_disk_that_tells_nothing_is_let_off(self, monkeypatch):
        class Disk:
            f_blocks, f_bavail, f_frsize, f_files, f_favail = 0, 0, 4096, 0, 0

        monkeypatch.setattr(os, "statvfs", lambda _: Disk)
        require_space("/", [a_need(10**12)])


class TestFullDisk:
    def write_bytes(self, path):
        with new_file(path) as part:
            part.write_bytes(bytes(2 << 20))

    def write_video(self, path):
        rng = np.random.default_rng(1)
        noise = (rng.integers(0, 256, (256, 256)).astype(np.uint8) for _ in range(40))
        with new_file(path) as part:
            video.encode(part, "ffv1", (video.frame_of(picture, "gray") for picture in noise))

    @pytest.mark.parametrize("write", ["write_bytes", "write_video"])
    def test_one_line_and_nothing_half_written(self, small_disk, write):
        line = r"a\.mkv: cannot be written \(No space left.*free some space"
        with pytest.raises(TakeError, match=line):
            getattr(self, write)(small_disk / "a.mkv")
        assert os.listdir(small_disk) == []


@pytest.mark.parametrize(
    ("n_bytes", "text"),
    [
        (0, "0 bytes"),
        (999, "999 bytes"),
        (1200, "1.2 kB"),
        (34_000_000_000, "34 GB"),
        (999_600, "1 MB"),
        (2_500_000_000_000, "2.5 TB"),
    ],
)
def test_bytes_for_people(n_bytes, text):
    assert format_bytes(n_bytes) == text

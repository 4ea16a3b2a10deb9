"""A take measured in pieces gives what the take in one piece gives, whatever it is kept in."""

from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from ingest_fixtures import QUICKLY, files_under, job_for
from trim_fixtures import h264, pictures, video

from flashpan.eventlog import from_dict
from flashpan.find import find
from flashpan.night import pieces as rooms
from flashpan.night.engines import Inline, WorkerDied, Workers
from flashpan.night.job import NotAsOnePiece, do
from flashpan.night.pieces import (
    _STOP,
    Piece,
    PiecePlan,
    decide,
    gathered,
    measure_piece,
    plan_pieces,
)
from flashpan.night.split import do_in_pieces
from flashpan.night.tilefile import read_measurements
from flashpan.readers.open import open_take

N_FRAMES = 200
FLASHES = (30, 99, 128, 170)


def shots(**more):
    return pictures(N_FRAMES, FLASHES, **more)


def stills(folder, write=tifffile.imwrite, suffix=".tif", frames=None):
    folder.mkdir()
    for number, shot in enumerate(shots() if frames is None else frames):
        write(folder / f"s_{number:04}{suffix}", shot)
    return folder


def png(path, shot):
    import cv2

    assert cv2.imwrite(str(path), shot)


def npy(path, frames):
    np.save(path, frames)
    return path


def raw(path):
    path.write_bytes(shots().tobytes())
    return path


def bgop(path, **more):
    """Open groups with three B pictures, a keyframe every 12, none of them an entry but few."""
    options = {"g": "12", "bf": "3", "crf": "12", "preset": "fast", **more}
    return video(path, "libx264", "yuv420p", shots(), options=options)


TAKES = {
    "npy 8 bit": lambda d: npy(d / "t.npy", shots()),
    "npy 16 bit": lambda d: npy(d / "t.npy", shots().astype(np.uint16) << 6),
    "npy Fortran": lambda d: npy(d / "t.npy", np.asfortranarray(shots())),
    "npy RGB": lambda d: npy(d / "t.npy", np.repeat(shots()[..., None], 3, axis=3)),
    "TIFF stills": lambda d: stills(d / "s"),
    "16-bit TIFF stills": lambda d: stills(d / "s", frames=shots().astype(np.uint16) << 4),
    "PNG stills": lambda d: stills(d / "s", png, ".png"),
    "raw": lambda d: raw(d / "t.bin"),
    "MJPEG MOV": lambda d: video(d / "t.mov"),
    "MJPEG AVI": lambda d: video(d / "t.avi"),
    "MJPEG MKV": lambda d: video(d / "t.mkv"),
    "ProRes": lambda d: video(d / "t.mov", "prores_ks", "yuv422p10le", shots()),
    "FFV1": lambda d: video(d / "t.mkv", "ffv1", "gray", shots()),
    "H.264 closed groups": lambda d: h264(d / "t.mp4", shots()),
    "H.264 open groups": lambda d: bgop(d / "t.mp4", **{"x264-params": "open-gop=1"}),
    "H.264 without B": lambda d: bgop(d / "t.mp4", bf="0"),
    "H.264 MKV": lambda d: h264(d / "t.mkv", shots()),
    "H.264 one group": lambda d: bgop(d / "t.mp4", g="400", sc_threshold="0"),
    "HEVC": lambda d: video(
        d / "t.mp4", "libx265", "yuv420p", shots(), options={"x265-params": "keyint=15:log-level=0"}
    ),
    "MPEG-4": lambda d: video(d / "t.mp4", "mpeg4", "yuv420p", shots(), options={"g": "10"}),
    "VP9": lambda d: video(d / "t.webm", "libvpx-vp9", "yuv420p", shots(), options={"g": "20"}),
    "transport stream": lambda d: h264(d / "t.ts", shots()),
}
WHOLE = {
    "H.264 one group": "too short",  # one keyframe: nothing to begin with
}


def settings_for(name):
    return replace(QUICKLY, raw="64x48:Mono8") if name == "raw" else QUICKLY


def measured_in(plan):
    for number in range(plan.n_pieces):
        measure_piece(Piece(plan, number))
    return gathered(plan)


def comparable(log):
    return replace(log, totals=replace(log.totals, seconds=0))


@pytest.mark.parametrize("name", TAKES)
def test_same_log_and_scores(tmp_path, name):
    job = job_for(TAKES[name](tmp_path), tmp_path / "night", settings=settings_for(name))
    (tmp_path / "pieces").mkdir()
    plan = plan_pieces(job, str(tmp_path / "pieces"), most_frames=23)
    if isinstance(plan, str):
        assert WHOLE[name] in plan
        return
    assert name not in WHOLE
    assert plan.n_pieces > 4
    logs = []
    for measured in (None, measured_in(plan)):
        with open_take(job.take, raw=job.settings.raw) as reader:
            reader.keeps_index = True  # as trimming has it
            log = find(reader, job.settings, keep_trace=True, measured=measured)
            index = getattr(reader, "packet_index", None)
            logs.append((log, index, reader.info, reader.bytes_read))
    (one, index, info, n_bytes), (other, index_too, info_too, n_bytes_too) = logs
    assert one.events
    assert comparable(other) == comparable(replace(one, trace=other.trace))
    for part in ("frames", "scores", "thresholds"):
        assert np.array_equal(getattr(one.trace, part), getattr(other.trace, part))
    assert (info, n_bytes) == (info_too, n_bytes_too)
    if index is not None:
        assert np.array_equal(index.table(), index_too.table())
        assert index.is_predicted == index_too.is_predicted
    assert [path.name for path in (tmp_path / "pieces").glob("0*")] == []


@pytest.mark.parametrize("name", ["npy 8 bit", "H.264 closed groups", "MJPEG MOV"])
def test_same_clips(tmp_path, name):
    take = TAKES[name](tmp_path)
    whole = do(job_for(take, tmp_path / "whole"))
    job = job_for(take, tmp_path / "split")
    notes = []
    (tmp_path / "split").mkdir()
    report = do_in_pieces(job, _Small(), _Later(), notes.append)
    assert notes == []
    assert report.clips == whole.clips
    assert comparable(from_dict(report.log)) == comparable(from_dict(whole.log))
    assert files_under(tmp_path / "split") == files_under(tmp_path / "whole")


def test_by_processes(tmp_path, monkeypatch):
    take = npy(tmp_path / "t.npy", np.concatenate([shots()] * 6))
    whole = do(job_for(take, tmp_path / "whole"))
    (tmp_path / "split").mkdir()
    engine, decider, notes = Workers(2), Workers(1), []
    try:
        report = do_in_pieces(
            job_for(take, tmp_path / "split"), _Split64(engine), decider, notes.append
        )
    finally:
        engine.stop()
        decider.stop()
    assert notes == []
    assert report.clips == whole.clips
    assert files_under(tmp_path / "split") == files_under(tmp_path / "whole")


class TestDoneWhole:
    """Where it cannot be had exactly the take is not split, and that is said."""

    def reason(self, take, tmp_path, settings=QUICKLY):
        job = job_for(take, tmp_path / "night", settings=settings)
        return plan_pieces(job, str(tmp_path), most_frames=23)

    def test_a_stream_of_pictures(self, tmp_path):
        path = tmp_path / "t.y4m"
        with path.open("wb") as file:
            file.write(b"YUV4MPEG2 W64 H48 F25:1 Cmono\n")
            for shot in shots():
                file.write(b"FRAME\n" + shot.tobytes())
        assert "one after the other" in self.reason(path, tmp_path)

    def test_part_of_a_take(self, tmp_path):
        take = npy(tmp_path / "t.npy", shots())
        assert "only a part" in self.reason(take, tmp_path, replace(QUICKLY, first=3))
        assert "only a part" in self.reason(take, tmp_path, replace(QUICKLY, last=99))

    def test_short_takes(self, tmp_path):
        assert "too short" in self.reason(npy(tmp_path / "t.npy", shots()[:20]), tmp_path)

    def test_h264_in_avi(self, tmp_path):
        """AVI has no time stamps of viewing."""
        assert "known order" in self.reason(h264(tmp_path / "t.avi", shots()), tmp_path)

    def test_a_video_that_is_cut_off(self, tmp_path):
        take = video(tmp_path / "t.avi")
        take.write_bytes(take.read_bytes()[:-40_000])
        self.same_as_whole(take, tmp_path)

    def test_a_damaged_still(self, tmp_path):
        take = stills(tmp_path / "s")
        (take / "s_0077.tif").write_bytes(b"damaged")
        notes = self.same_as_whole(take, tmp_path)
        assert "damage in frames" in notes[0]

    def test_a_damaged_packet(self, tmp_path):
        take = video(tmp_path / "t.mov")
        data = bytearray(take.read_bytes())
        middle = len(data) // 2
        data[middle : middle + 3000] = bytes(3000)
        take.write_bytes(data)
        self.same_as_whole(take, tmp_path)

    def test_a_worker_that_dies_of_a_piece(self, tmp_path):
        notes = self.same_as_whole(npy(tmp_path / "t.npy", shots()), tmp_path, _Small(deaths=2))
        assert "worker process ended" in notes[0]

    def test_a_worker_that_dies_once(self, tmp_path):
        take = npy(tmp_path / "t.npy", shots())
        assert self.same_as_whole(take, tmp_path, _Small(deaths=1)) == []

    def same_as_whole(self, take, tmp_path, engine=None):
        whole = do(job_for(take, tmp_path / "whole"))
        (tmp_path / "split").mkdir()
        notes = []
        job = job_for(take, tmp_path / "split")
        report = do_in_pieces(job, engine or _Small(), _Later(), notes.append)
        assert (report.error, report.clips) == (whole.error, whole.clips)
        assert comparable(from_dict(report.log)) == comparable(from_dict(whole.log))
        assert list((tmp_path / "split").glob(".flashpan*")) == []
        return notes


def test_frames_that_are_not_their_packets_are_noticed(tmp_path, monkeypatch):
    job = job_for(h264(tmp_path / "t.mp4", shots()), tmp_path / "night")
    plan = plan_pieces(job, str(tmp_path), most_frames=23)
    shifted = rooms.pictures_from
    monkeypatch.setattr(rooms, "pictures_from", lambda table, start: shifted(table, start + 1))
    with pytest.raises(NotAsOnePiece, match="not the one that its packet holds"):
        measure_piece(Piece(plan, 2))


def test_measurements_come_back_to_the_bit(tmp_path):
    job = job_for(npy(tmp_path / "t.npy", shots()), tmp_path / "night")
    plan = plan_pieces(job, str(tmp_path), most_frames=50)
    measure_piece(Piece(plan, 1))
    first = read_measurements(plan.path(1))
    first.write(tmp_path / "again.tiles")
    again = read_measurements(tmp_path / "again.tiles")
    for one, other in zip(first.tiles, again.tiles, strict=True):
        assert one.index == other.index
        assert one.mean.tobytes() == other.mean.tobytes()
        assert one.mean.dtype == np.float32
    assert (first.stamps, first.picture_types) == (again.stamps, again.picture_types)


def test_nobody_waits_for_pieces_that_will_not_come(tmp_path):
    job = job_for(npy(tmp_path / "t.npy", shots()), tmp_path / "night")
    plan = plan_pieces(job, str(tmp_path), most_frames=50)
    plan.stop("no more")
    assert decide(plan) == "no more"


class _Small(Inline):
    """Does at once what it is given, in small pieces; may die of the third piece."""

    def __init__(self, deaths=0):
        self._deaths = deaths

    @property
    def n_places(self):
        return 2

    def submit(self, work, thing):
        if isinstance(thing, Piece) and thing.number == 3 and self._deaths:
            self._deaths -= 1
            future = Future()
            future.set_exception(WorkerDied("the worker process ended by signal 11"))
            return future
        if isinstance(thing, str):  # the folder: the take is to be planned
            return super().submit(lambda folder: plan_pieces(work.args[0], folder, 23), thing)
        return super().submit(work, thing)


class _Split64:
    """Plans pieces of 64 frames, whatever the engine would take."""

    def __init__(self, engine):
        self._engine = engine

    @property
    def n_places(self):
        return self._engine.n_places

    def submit(self, work, thing):
        if isinstance(thing, str):
            return Inline().submit(lambda folder: plan_pieces(work.args[0], folder, 64), thing)
        return self._engine.submit(work, thing)


class _Later:
    """Decides beside the test, in a thread."""

    n_places = 1

    def submit(self, work, thing):
        from concurrent.futures import ThreadPoolExecutor

        return ThreadPoolExecutor(1).submit(work, thing)


def test_the_reason_why_pieces_will_not_come_appears_whole(tmp_path, monkeypatch):
    plan = PiecePlan(job=None, folder=str(tmp_path), bounds=(0, 1, 2))
    write = Path.write_text

    def slowly(path, text, **more):
        write(path, "", **more)  # as a file begins
        assert not (tmp_path / _STOP).exists()
        write(path, text, **more)

    monkeypatch.setattr(Path, "write_text", slowly)
    plan.stop("damage in frames 3 to 9")
    assert (tmp_path / _STOP).read_text() == "damage in frames 3 to 9"

"""Takes and settings that cannot be used: one line with the cure, and nothing left behind.

All takes are invented.
"""

import json
import signal
import subprocess
import sys
import threading
import time

import av
import numpy as np
import pytest
import tifffile

MAIN = [sys.executable, "-c", "from flashpan.cli import main; main()"]
RAW = ["--raw", "16x12:Mono8"]


def write_video(path, **options):
    """Eighty grey frames of noise, a keyframe every ten."""
    random = np.random.default_rng(1)
    with av.open(path, "w", options=options) as container:
        stream = container.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt, stream.gop_size = 64, 48, "yuv420p", 10
        for _ in range(80):
            picture = random.normal(60, 4, (48, 64)).astype(np.uint8)
            frame = av.VideoFrame.from_ndarray(picture, format="gray").reformat(format="yuv420p")
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def cut(path, share):
    """Keep the given share of a file's bytes, as a copy that was broken off does."""
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    return path


def write_stills(folder, shape_at=None):
    """Forty 16-bit TIFFs; ``shape_at`` gives some of them another shape."""
    folder.mkdir()
    random = np.random.default_rng(2)
    for number in range(40):
        shape = (shape_at or {}).get(number, (48, 64))
        picture = random.normal(3000, 50, shape).astype(np.uint16)
        tifffile.imwrite(folder / f"shot{number:04d}.tif", picture)
    return folder


def nothing(folder):
    return folder / "none.mp4"


def no_stills(folder):
    (folder / "notes").mkdir()
    (folder / "notes" / "readme.txt").write_text("none here")
    return folder / "notes"


def text_as(name):
    def made(folder):
        (folder / name).write_text("not a picture\n" * 50)
        return folder / name

    return made


def empty(name):
    def made(folder):
        (folder / name).touch()
        return folder / name

    return made


def cut_at(name, share):
    return lambda folder: cut(write_video(folder / name), share)


def raw_cut_short(folder):
    (folder / "shot.raw").write_bytes(bytes(16 * 12 * 10 + 7))
    return folder / "shot.raw"


TAKES = {
    "none": (nothing, "no such file or folder; check the path"),
    "no stills": (no_stills, "no stills here; give a folder or pattern of numbered"),
    "text mp4": (text_as("a.mp4"), "check the file or copy it again"),
    "text unknown": (text_as("a.xyz"), "not a take that can be read; there are: "),
    "empty mp4": (empty("a.mp4"), "the file is empty (0 bytes); copy it again"),
    "empty y4m": (empty("a.y4m"), "the file is empty (0 bytes); copy it again"),
    "empty tif": (empty("a.tif"), "the file is empty; copy the file anew"),
    "empty npy": (empty("a.npy"), "the file is empty; save it anew"),
    "mp4 without index": (cut_at("a.mp4", 0.5), "no whole index (moov) in the file"),
    "mov without index": (cut_at("a.mov", 0.5), "no whole index (moov) in the file"),
    "mp4 cut in its index": (cut_at("a.mp4", 0.9), "no whole index (moov) in the file"),
    "mov cut in its index": (cut_at("a.mov", 0.9), "no whole index (moov) in the file"),
    "cut raw": (raw_cut_short, "check WIDTHxHEIGHT and FORMAT"),
}


@pytest.mark.parametrize("command", ["find", "slate"])
@pytest.mark.parametrize(("make", "cure"), TAKES.values(), ids=TAKES)
def test_a_take_that_cannot_be_read(run, tmp_path, command, make, cure):
    take = make(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    options = RAW if take.suffix == ".raw" else ["--out", tmp_path] * (command == "find")
    status, out, err = run(command, take, *options)
    assert (status, out) == (3, "")
    assert err.startswith(f"flashpan: {take}: ")
    assert cure in err
    assert err.count("\n") == 1
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize(
    ("options", "cure"),
    [
        (["--first", "900"], "which has 600 frames numbered from 0"),
        (["--post-roll", "5ms"], "--post-roll 5ms is real time and needs the capture rate; give"),
        (["--roi", "0,40,10,10"], "keep x + w within 64 and y + h within 48"),
    ],
)
def test_a_setting_that_the_take_cannot_meet(run, flash, tmp_path, options, cure):
    status, out, err = run("find", flash, "--out", tmp_path, *options)
    assert (status, out) == (2, "")
    assert err.startswith("flashpan: ")
    assert str(flash) in err
    assert cure in err
    assert err.count("\n") == 1
    assert not any(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("toml", "cure"),
    [
        ("pre_roll = = 3\n", "(at line 1, column 12); mend that line"),
        ("pre_rol = 3\n", "unknown setting 'pre_rol'; did you mean 'pre_roll'?"),
    ],
    ids=["malformed", "unknown key"],
)
def test_a_wrong_settings_file_beside_the_take(run, flash, tmp_path, toml, cure):
    take = tmp_path / "flash.npy"
    take.symlink_to(flash)
    (tmp_path / "flashpan.toml").write_text(toml)
    status, out, err = run("find", take)
    assert (status, out) == (2, "")
    assert f"{tmp_path / 'flashpan.toml'}: " in err
    assert cure in err
    assert err.count("\n") == 1


def searched(run, take):
    status, out, err = run("find", take, "--json")
    assert (status, err) == (0, "")
    return json.loads(out)


@pytest.mark.parametrize(
    ("name", "flags"),
    [
        ("fragments.mp4", "frag_keyframe+empty_moov"),
        ("index-first.mp4", "faststart"),
        ("index-first.mov", "faststart"),
    ],
)
def test_a_video_cut_in_the_middle_is_searched_up_to_the_cut(run, tmp_path, name, flags):
    log = searched(run, cut(write_video(tmp_path / name, movflags=flags), 0.7))
    frames = log["totals"]["frames"]
    assert 40 <= frames < 70
    assert f"the file is cut off; the last good frame is {frames - 1}" in log["warnings"]


def test_a_still_that_is_cut_short_is_left_out(run, tmp_path):
    cut(write_stills(tmp_path / "shot") / "shot0030.tif", 0.3)
    log = searched(run, tmp_path / "shot")
    assert log["totals"]["frames"] == 40  # its number stays, so that no later frame moves
    assert len(log["warnings"]) == 1
    assert log["warnings"][0].startswith("shot0030.tif cannot be read")


def test_stills_of_another_size_fail_the_take(run, tmp_path):
    take = write_stills(tmp_path / "shot", {30: (40, 64)})
    status, out, err = run("find", take)
    assert (status, out) == (3, "")
    assert "shot0030.tif is 64x40 at 16 bits; keep one kind in one folder" in err
    assert err.count("\n") == 1


def y4m(pictures):
    yield b"YUV4MPEG2 W64 H48 F25:1 Ip Cmono\n"
    for picture in pictures:
        yield b"FRAME\n" + picture.tobytes()


def piped(*options):
    # a shell may start its background jobs deaf to Ctrl-C, and what they start in turn
    code = (
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from flashpan.cli import main; main()"
    )
    return subprocess.Popen(
        [sys.executable, "-c", code, "find", "-", *map(str, options)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


def test_events_of_a_pipe_are_printed_as_they_end(flash):
    with piped("--jsonl") as process:
        patience = threading.Timer(60, process.kill)  # the line below would wait for ever
        patience.start()
        for part in y4m(np.load(flash)):
            process.stdin.write(part)
        process.stdin.flush()
        event = json.loads(process.stdout.readline())  # while the pipe is still open
        patience.cancel()
        assert (event["take"], event["onset"]) == ("stdin", 400)
        assert process.poll() is None
        process.stdin.close()
        assert process.stdout.read() == b""
        assert process.wait(30) == 0


def test_ctrl_c_during_a_search_leaves_nothing(flash, tmp_path):
    with piped("--out", tmp_path) as process:
        for part in y4m(np.load(flash)):  # more than a pipe holds: the search has begun
            process.stdin.write(part)
        process.stdin.flush()
        time.sleep(0.3)
        process.send_signal(signal.SIGINT)
        assert process.wait(30) == 130
        assert process.stdout.read() == b""
        assert process.stderr.read() == b"flashpan: stopped\n"
    assert not any(tmp_path.iterdir())

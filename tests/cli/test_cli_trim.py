"""`flashpan trim` as its user meets it: what it writes, says and answers."""

import io
import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
import tifffile
from cut_fixtures import framemd5
from trim_fixtures import (
    FLASHES,
    QUICK,
    clips,
    h264,
    log_in,
    pictures,
    ranges,
    state,
    temporary,
    trim_command,
    video,
)

import flashpan
from flashpan.edited import read_edited_log
from flashpan.eventlog import write_log


def test_writes_every_range_and_says_so(run, mjpeg, out):
    before = state(mjpeg)
    status, said, err = run("trim", mjpeg, "--out", out, *QUICK)
    assert status == 0
    found = clips(out)
    kept = [(about["first"], about["last"]) for about in found.values()]
    assert kept == ranges(out, "take")
    assert [first for first, _ in kept] == [onset - 4 for onset in FLASHES]
    wanted = framemd5(mjpeg)
    for (clip, about), (first, last) in zip(found.items(), kept, strict=True):
        assert framemd5(clip) == wanted[first : last + 1]
        assert (about["verified"], about["how"]) == (True, "copy")
        assert f"{clip.name}  " in said
        assert f"{first}-{last}" in said
    assert "bit for bit" in said
    total = sum(last - first + 1 for first, last in kept)
    assert f"kept      {total} of 120 frames" in said
    assert "to write," in err
    assert err.count("\n") == 1
    assert state(mjpeg) == before
    assert temporary(out) == []


def test_clips_larger_than_the_take_come_with_a_cure(run, mjpeg, out, tmp_path):
    options = {"crf": "40", "preset": "ultrafast"}
    small = video(tmp_path / "small.mp4", "libx264", "yuv420p", options=options)
    assert "--how copy" in run("trim", small, "--out", out, *QUICK).out
    assert "--how copy" not in run("trim", mjpeg, "--out", out, *QUICK).out


def test_tables_fit_a_terminal(run, mjpeg, out):
    assert max(map(len, run("trim", mjpeg, "--out", out, *QUICK).out.splitlines())) <= 100


def test_nothing_found_is_a_result(run, quiet, out):
    status, said, err = run("trim", quiet, "--out", out)
    assert (status, err) == (0, "")
    assert "Nothing to keep" in said
    assert os.listdir(out) == ["quiet.events.json"]


def test_a_second_run_keeps_what_is_there(run, mjpeg, out):
    run("trim", mjpeg, "--out", out, *QUICK)
    first, *others = clips(out)
    stamps = {clip: os.stat(clip).st_mtime_ns for clip in others}
    first.unlink()
    status, said, err = run("trim", mjpeg, "--out", out, *QUICK)
    assert status == 0
    assert said.count("there already") == len(others)
    assert "serves again" in err
    assert list(clips(out)) == [first, *others]
    assert {clip: os.stat(clip).st_mtime_ns for clip in others} == stamps


def test_a_clip_that_was_changed_is_no_clip_that_is_there(run, mjpeg, out):
    run("trim", mjpeg, "--out", out, *QUICK)
    clip = next(iter(clips(out)))
    data = bytearray(clip.read_bytes())
    middle = slice(len(data) // 2, len(data) // 2 + 256)
    data[middle] = bytes(one ^ 0xFF for one in data[middle])
    clip.write_bytes(data)
    status, said, err = run("trim", mjpeg, "--out", out, *QUICK)
    assert status == 3
    assert f"{clip} exists already; give --overwrite to replace it" in err
    assert "FAILED" in said
    assert clip.read_bytes() == data
    assert run("trim", mjpeg, "--out", out, "--overwrite", *QUICK).status == 0
    assert clip.read_bytes() != data


def test_an_unproved_clip_gives_way_to_a_proved_one(run, mjpeg, out):
    said = run("trim", mjpeg, "--out", out, "--no-verify", *QUICK).out
    assert "bit for bit" not in said
    assert {about["verified"] for about in clips(out).values()} == {None}
    assert "there already" in run("trim", mjpeg, "--out", out, "--no-verify", *QUICK).out
    said = run("trim", mjpeg, "--out", out, *QUICK).out
    assert "there already" not in said
    assert {about["verified"] for about in clips(out).values()} == {True}


def test_other_settings_are_another_log(run, mjpeg, out):
    run("trim", mjpeg, "--out", out, *QUICK)
    status, _, err = run("trim", mjpeg, "--out", out, "--pre-roll", 9)
    assert status == 3
    assert "made with other settings; give --overwrite" in err
    assert run("trim", mjpeg, "--out", out, "--pre-roll", 9, "--overwrite").status == 0


def test_json_of_one_take_is_an_object(run, mjpeg, out):
    done = json.loads(run("trim", mjpeg, "--out", out, "--json", *QUICK).out)
    assert done["take"]["frames"] == 120
    first = done["outputs"][0]
    assert (first["way"], first["verified"], first["was_there"]) == ("copy", "bit for bit", False)
    assert [one["path"] for one in done["outputs"]] == list(map(str, clips(out)))
    assert done["totals"]["source_bytes"] == mjpeg.stat().st_size


def test_json_of_several_is_an_array(run, mjpeg, quiet, out):
    done = json.loads(run("trim", mjpeg, quiet, "--out", out, "--json", *QUICK).out)
    assert [len(one["outputs"]) for one in done] == [len(clips(out)), 0]


def test_one_bad_take_does_not_stop_the_others(run, mjpeg, out, tmp_path):
    (tmp_path / "bad.mov").write_bytes(b"nothing")
    takes = [tmp_path / "none.mov", tmp_path / "bad.mov", mjpeg]
    status, said, err = run("trim", *takes, "--out", out, *QUICK)
    assert status == 3
    assert len([line for line in err.splitlines() if "bad.mov" in line or "none.mov" in line]) == 2
    assert "Traceback" not in err
    assert len(clips(out)) == 2
    assert "all       1 take" in said


def test_two_takes_of_one_name_do_not_collide(run, tmp_path, out):
    takes = []
    for place in ("a", "b"):
        (tmp_path / place).mkdir()
        takes.append(video(tmp_path / place / "take.mov", shots=pictures(flashes=(60,))))
    assert run("trim", *takes, "--out", out, *QUICK).status == 0
    assert len(clips(out)) == 2
    assert len(list(out.glob("*.events.json"))) == 2
    assert run("trim", takes[0], "--out", out, *QUICK).out.count("there already") == 1


@pytest.mark.parametrize("where", ["beside", "below", "link"])
def test_a_source_inside_the_destination_is_refused(run, mjpeg, tmp_path, where):
    target = tmp_path if where == "beside" else tmp_path / "x" / ".."
    if where == "link":
        target = tmp_path / "link"
        target.symlink_to(tmp_path)
    before = sorted(os.listdir(tmp_path))
    (tmp_path / "x").mkdir(exist_ok=True)
    status, _, err = run("trim", mjpeg, "--out", target, *QUICK)
    assert status == 2
    assert "lies inside" in err
    assert sorted(set(os.listdir(tmp_path)) - {"x"}) == before


def test_the_source_is_opened_for_reading_only(mjpeg, out):
    """Seen from outside the program, by the calls that it makes of the system."""
    code = (
        "import sys, os\n"
        "opened = []\n"
        "def hook(event, args):\n"
        "    if event == 'open' and str(args[0]).endswith('take.mov'):\n"
        "        opened.append(args[2])\n"
        "sys.addaudithook(hook)\n"
        "import atexit\n"
        "atexit.register(lambda: print('flags', [f & os.O_ACCMODE for f in opened]))\n"
        "from flashpan.cli import main; main()\n"
    )
    mjpeg.chmod(0o444)
    mjpeg.parent.chmod(0o755)
    command = [sys.executable, "-c", code, "trim", mjpeg, "--out", out, *QUICK]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    flags = json.loads(done.stdout.splitlines()[-1].removeprefix("flags "))
    assert set(flags) == {os.O_RDONLY}


class TestLog:
    def test_an_edited_log_is_what_is_cut(self, run, mjpeg, out, tmp_path):
        run("find", mjpeg, "--out", tmp_path / "logs", *QUICK)
        path = tmp_path / "logs" / "take.events.json"
        log = json.loads(path.read_text())
        log["ranges"] = [{"first": 0, "last": 0}, {"first": 100, "last": 119}]
        path.write_text(json.dumps(log))
        assert run("trim", mjpeg, "--out", out, "--log", path).status == 0
        wanted = framemd5(mjpeg)
        assert [framemd5(clip) for clip in clips(out)] == [wanted[:1], wanted[100:]]
        assert ranges(out, "take") == [(0, 0), (100, 119)]

    def test_the_log_beside_the_clips_may_be_the_one(self, run, mjpeg, out):
        run("find", mjpeg, "--out", out, *QUICK)
        text = (out / "take.events.json").read_text()
        assert run("trim", mjpeg, "--out", out, "--log", out / "take.events.json").status == 0
        assert (out / "take.events.json").read_text() == text
        assert len(clips(out)) == 2

    def test_made_in_another_folder_it_is_of_the_take_as_it_lies_now(
        self, run, mjpeg, out, tmp_path, monkeypatch
    ):
        """Or a second run would not know its own clips."""
        monkeypatch.chdir(tmp_path)
        run("find", "take.mov", "--out", "logs", *QUICK)
        (tmp_path / "elsewhere").mkdir()
        monkeypatch.chdir(tmp_path / "elsewhere")
        words = ["trim", "../take.mov", "--log", "../logs/take.events.json", "--out", out]
        assert run(*words).status == 0
        assert log_in(out, "take")["take"]["absolute_path"] == str(mjpeg)
        assert run(*words).out.count("there already") == len(clips(out)) == 2

    def test_logs_of_several_takes_go_together(self, run, mjpeg, out, tmp_path):
        other = video(tmp_path / "other.mov", shots=pictures(flashes=(70,)))
        path = tmp_path / "night.json"
        path.write_text(run("find", mjpeg, other, "--json", *QUICK).out)
        assert run("trim", mjpeg, other, "--out", out, "--log", path).status == 0
        assert len(clips(out)) == 3

    def test_a_log_of_another_take_is_refused(self, run, mjpeg, out, tmp_path):
        other = video(tmp_path / "other.mov", shots=pictures(flashes=(70,)))
        run("find", other, "--out", tmp_path / "logs", *QUICK)
        log = tmp_path / "logs" / "other.events.json"
        status, _, err = run("trim", mjpeg, "--out", out, "--log", log)
        assert status == 3
        assert "was made from another take" in err
        assert os.listdir(out) == []

    def test_raw_pixels_need_no_second_geometry(self, run, out, tmp_path):
        path = tmp_path / "take.bin"
        path.write_bytes(pictures().tobytes())
        run("find", path, "--raw", "64x48:Mono8", "--out", tmp_path / "logs", *QUICK)
        log = tmp_path / "logs" / "take.events.json"
        assert run("trim", path, "--out", out, "--log", log).status == 0
        data, frame = path.read_bytes(), 64 * 48
        for clip, about in clips(out).items():
            assert clip.read_bytes() == data[frame * about["first"] : frame * (about["last"] + 1)]


class TestBudget:
    @pytest.fixture
    def pair(self, tmp_path):
        """The stronger of three flashes is in the second take."""
        weak = pictures(flashes=FLASHES)
        strong = pictures(flashes=(60,))
        strong[60:66, 8:40, 8:56] = 250
        return video(tmp_path / "weak.mov", shots=weak), video(
            tmp_path / "strong.mov", shots=strong
        )

    def test_the_strongest_of_all_takes_come_first(self, run, pair, out):
        status, said, err = run("trim", *pair, "--out", out, "--budget", 17, *QUICK)
        assert status == 0
        assert [clip.name[:6] for clip in clips(out)] == ["strong"]
        assert said.count("note      the budget left out frames") == 2
        assert err.count("left out by the budget") == 2
        assert len(log_in(out, "weak")["ranges"]) == 2

    def test_bytes_are_a_budget_too(self, run, pair, out):
        assert run("trim", *pair, "--out", out, "--budget", "1GB", *QUICK).status == 0
        assert len(clips(out)) == 3
        assert run("trim", *pair, "--out", out, "--budget", "1kB", *QUICK).status == 0

    def test_more_does_not_fit_than_was_asked_for(self, run, pair, out):
        budget = 150_000
        run("trim", *pair, "--out", out, "--budget", f"{budget}B", *QUICK)
        written = sum(clip.stat().st_size for clip in clips(out))
        assert 0 < written <= budget
        assert len(clips(out)) < 3

    @pytest.mark.parametrize("amount", ["0", "x", "1.5", "-3"])
    def test_nonsense_is_a_wrong_command(self, run, pair, out, amount):
        status, _, err = run("trim", *pair, "--out", out, "--budget", amount)
        assert status == 2
        assert "--budget" in err
        assert not out.exists()


class TestAlso:
    def test_every_form_beside_the_clip(self, run, mjpeg, out):
        forms = ["tiff16", "luma16", "png8", "png16", "dpx10", "dpx12", "dpx16"]
        forms += ["view", "gif", "webp"]
        also = [word for form in forms for word in ("--also", form)]
        last = ["--last", "70"]
        done = json.loads(run("trim", mjpeg, "--out", out, *also, "--json", *last, *QUICK).out)
        assert [one["form"] for one in done["outputs"]] == ["clip", *forms]
        (first, last_kept), n = ranges(out, "take")[0], done["outputs"][0]["frames"]
        base = out / f"take_r000_f{first:06d}-{last_kept:06d}"
        for form in forms[:7]:
            assert len(os.listdir(f"{base}_{form}")) == n
        assert len(framemd5(f"{base}_view.mp4")) == n
        again = run("trim", mjpeg, "--out", out, *also, *last, *QUICK)
        assert again.status == 0
        assert again.out.count("there already") == 1 + len(forms)

    def test_grey_pictures_give_the_code_values_back(self, run, out, tmp_path):
        shots = pictures()
        np.save(tmp_path / "take.npy", shots)
        assert (
            run("trim", tmp_path / "take.npy", "--out", out, "--also", "tiff16", *QUICK).status == 0
        )
        (first, last), *_ = ranges(out, "take")
        folder = out / f"take_r000_f{first:06d}-{last:06d}_tiff16"
        for index, file in enumerate(sorted(folder.iterdir()), first):
            np.testing.assert_array_equal(tifffile.imread(file) >> 8, shots[index])

    @pytest.mark.parametrize(("codec", "pixels"), [("libx264", "yuv420p10le"), ("ffv1", "gray")])
    def test_luma_alone_is_bit_for_bit(self, run, out, tmp_path, codec, pixels):
        """The ffmpeg command gives the luma that the pictures are held against."""
        take = video(tmp_path / "take.mkv", codec, pixels)
        done = json.loads(run("trim", take, "--out", out, "--also", "luma16", "--json", *QUICK).out)
        _, copy, *_ = done["outputs"]
        assert (copy["form"], copy["verified"]) == ("luma16", "bit for bit")
        depth = 10 if "10" in pixels else 8
        grey = "gray10le" if depth == 10 else "gray"
        command = ["ffmpeg", "-v", "error", "-i", take, "-vf", "extractplanes=y"]
        command += ["-pix_fmt", grey, "-f", "rawvideo", "-"]
        kind = "<u2" if depth == 10 else "u1"
        luma = np.frombuffer(subprocess.run(command, capture_output=True).stdout, kind)
        luma = luma.reshape(-1, 48, 64)
        for index, file in enumerate(sorted(Path(copy["path"]).iterdir()), copy["first"]):
            words = tifffile.imread(file)
            np.testing.assert_array_equal(words >> (16 - depth), luma[index])

    def test_the_timecode_of_the_take_goes_with_them(self, run, out, tmp_path):
        """The ffmpeg command reads it in DPX; ours is the first frame's in a viewing copy."""
        source, take = video(tmp_path / "plain.mov"), tmp_path / "take.mov"
        added = ["-c", "copy", "-timecode", "10:00:00:20"]
        subprocess.run(["ffmpeg", "-v", "error", "-i", source, *added, take], check=True)
        also = ["--also", "dpx10", "--also", "tiff16", "--also", "view"]
        assert run("trim", take, "--out", out, *also, "--last", 70, *QUICK).status == 0
        (first, _), *_ = ranges(out, "take")
        wanted = f"10:00:0{(first + 20) // 25}:{(first + 20) % 25:02d}"
        picture = min(next(out.glob("*_dpx10")).iterdir())
        command = ["ffmpeg", "-v", "error", "-i", picture, "-vf", "metadata=print:file=-"]
        done = subprocess.run([*command, "-f", "null", "-"], capture_output=True, text=True)
        assert f"timecode={wanted}\n" in done.stdout
        with tifffile.TiffFile(min(next(out.glob("*_tiff16")).iterdir())) as tiff:
            assert f"frame {first} ({wanted});" in tiff.pages[0].description
        with av.open(str(next(out.glob("*_view.mp4")))) as container:
            assert container.streams.video[0].metadata["timecode"] == wanted

    def test_forms_that_would_lose_bits_are_a_wrong_command(self, run, out, tmp_path):
        np.save(tmp_path / "take.npy", pictures().astype(np.uint16) << 8)
        status, _, err = run("trim", tmp_path / "take.npy", "--out", out, "--also", "dpx10")
        assert status == 2
        assert "dpx10 would lose" in err
        assert os.listdir(out) == []

    def test_without_numbers_the_picture_is_as_large_as_the_take(self, run, mjpeg, out):
        run("trim", mjpeg, "--out", out, "--also", "view", "--no-burn-in", "--last", 70, *QUICK)
        with flashpan.open_take(next(out.glob("*_view.mp4"))) as reader:
            assert reader.info.shape == (48, 64)


class TestStills:
    @pytest.fixture
    def stills(self, tmp_path):
        (tmp_path / "shots").mkdir()
        for number, picture in enumerate(pictures(), 500):
            tifffile.imwrite(tmp_path / "shots" / f"s{number:05d}.tif", picture)
        return tmp_path / "shots"

    def test_the_files_themselves(self, run, stills, out):
        before = state(stills)
        assert run("trim", stills, "--out", out, *QUICK).status == 0
        for clip, about in clips(out).items():
            names = sorted(os.listdir(clip))
            assert names[0] == f"s{500 + about['first']:05d}.tif"
            assert all((clip / n).read_bytes() == (stills / n).read_bytes() for n in names)
        assert state(stills) == before
        assert "there already" in run("trim", stills, "--out", out, *QUICK).out

    def test_linked_and_renumbered(self, run, stills, out):
        wishes = ["--files", "hardlink", "--renumber"]
        assert run("trim", stills, "--out", out, *wishes, *QUICK).status == 0
        clip, about = next(iter(clips(out).items()))
        assert (clip / "s00000.tif").samefile(stills / f"s{500 + about['first']:05d}.tif")

    def test_a_destination_among_the_stills_is_refused(self, run, stills):
        status, _, err = run("trim", stills, "--out", stills / "out")
        assert status == 2
        assert "lies inside the take" in err


class TestPipe:
    @pytest.fixture
    def pipe(self, run, monkeypatch):
        """Trim what comes by standard input."""

        def run_pipe(data, *words):
            stream = io.TextIOWrapper(io.BytesIO(data))
            monkeypatch.setattr(sys, "stdin", stream)
            return run("trim", "-", *words)

        return run_pipe

    @pytest.mark.parametrize("pre_roll", [4, 300])
    def test_cut_while_it_arrives_as_if_it_were_a_file(self, pipe, run, out, tmp_path, pre_roll):
        shots = pictures(640, flashes=(60, 600))
        shots[200:500, 16:32, 24:40] += 60  # longer than what memory holds
        np.save(tmp_path / "take.npy", shots)
        quick = ["--pre-roll", pre_roll, "--post-roll", 5, "--merge-gap", 3]
        done = pipe(shots.tobytes(), "--raw", "64x48:Mono8", "--out", out, *quick)
        assert (done.status, done.err) == (0, "")
        run("trim", tmp_path / "take.npy", "--out", tmp_path / "file", *quick)
        assert ranges(out, "stdin") == ranges(tmp_path / "file", "take")
        for clip, about in clips(out).items():
            wanted = shots[about["first"] : about["last"] + 1]
            assert clip.read_bytes() == wanted.tobytes()
            assert about["verified"] is True
        assert len(clips(out)) == len(ranges(out, "stdin"))
        assert temporary(out) == []

    def test_colour_goes_with_it_and_copies_are_made(self, pipe, out, tmp_path):
        y4m = tmp_path / "take.y4m"
        source = h264(tmp_path / "take.mp4")
        subprocess.run(["ffmpeg", "-v", "error", "-i", source, y4m], check=True)
        done = pipe(y4m.read_bytes(), "--out", out, "--also", "png16", *QUICK)
        assert done.status == 0, done.err
        wanted = framemd5(y4m)
        found = {clip: about for clip, about in clips(out).items() if clip.suffix == ".y4m"}
        assert len(found) == 2
        for clip, about in found.items():
            assert framemd5(clip) == wanted[about["first"] : about["last"] + 1]
            folder = clip.with_name(f"{clip.stem}_png16")
            assert sorted(os.listdir(folder))[0].endswith(f"_{about['first']:06d}.png")

    def test_what_a_pipe_cannot_have_is_a_wrong_command(self, pipe, out):
        for words in (["--budget", "100"], ["--log", "x.json"]):
            done = pipe(b"", "--out", out, *words)
            assert done.status == 2
            assert "save the take to a file first" in done.err

    def test_a_second_pipe_gets_a_name_of_its_own(self, pipe, out):
        words = ["--raw", "64x48:Mono8", "--out", out, *QUICK]
        assert pipe(pictures().tobytes(), *words).status == 0
        first = state(out)
        done = pipe(pictures(flashes=(30,)).tobytes(), *words)
        assert (done.status, done.err.count("is cut as stdin-2")) == (0, 1)
        assert {one for one in state(out) if not one[0].startswith("stdin-2")} == set(first)
        assert len(ranges(out, "stdin-2")) == 1
        (out / "stdin-2.events.json").unlink()  # its clips alone tell as well
        assert pipe(pictures().tobytes(), *words).status == 0
        assert len(ranges(out, "stdin-3")) == 2

    def test_a_pipe_that_is_killed_leaves_a_log_of_its_clips(self, out):
        """The first range is cut long before the end, of which nothing is ever seen."""
        command = trim_command("-", "--raw", "64x48:Mono8", "--out", out, *QUICK)
        shots = pictures(400, flashes=(60, 380)).tobytes()
        with subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.DEVNULL) as run:
            run.stdin.write(shots[: 350 * 64 * 48])
            run.stdin.flush()
            deadline = time.monotonic() + 60
            while not clips(out) if out.exists() else True:
                assert time.monotonic() < deadline
                time.sleep(0.02)
            run.kill()
        log = read_edited_log(out / "stdin.events.json")
        assert [(kept.first, kept.last) for kept in log.ranges] == [
            (about["first"], about["last"]) for about in clips(out).values()
        ]
        assert any("had not ended" in text for text in log.warnings)

    def test_of_the_shell(self, out):
        command = trim_command("-", "--raw", "64x48:Mono8", "--out", out, *QUICK)
        done = subprocess.run(command, input=pictures().tobytes(), capture_output=True)
        assert (done.returncode, done.stderr) == (0, b"")
        assert len(clips(out)) == 2


def test_help_has_examples_and_no_long_line(run):
    said = run("trim", "--help").out
    assert "Examples:" in said
    assert max(map(len, said.splitlines())) <= 100


README = (Path(__file__).parents[2] / "README.md").read_text()


def without_figures(text):
    """The words of a table: sizes may change with the encoder, and columns with them."""
    return re.sub(r"\s+", " ", re.sub(r"\d[\d.,]* (?:k?B|bytes)", "0", text)).strip()


def test_the_example_in_the_readme_is_what_the_program_says(run, tmp_path, monkeypatch):
    command, shown = re.search(
        r"```text\n\$ flashpan (trim [^\n]*)\n(.*?)\n```", README, re.S
    ).groups()
    monkeypatch.chdir(tmp_path)
    video(tmp_path / "burst.mov")
    status, said, _ = run(*command.split())
    assert status == 0
    assert without_figures(said) == without_figures(shown)


def test_the_commands_in_the_readme_work(tmp_path):
    section = README.partition("## Cut out what matters")[2].partition("\n## ")[0]
    script = re.search(r"```sh\n(.*?)```", section, re.S)[1]
    for folder in ("night", "stills", "logs", "bin"):
        (tmp_path / folder).mkdir()
    video(tmp_path / "night" / "a.mov")
    h264(tmp_path / "storm.mp4")
    write_log(flashpan.find(tmp_path / "storm.mp4"), tmp_path / "logs")
    for number, shot in enumerate(pictures()):
        cv2.imwrite(str(tmp_path / "stills" / f"s{number:04d}.png"), shot)
    for name, line in {
        "flashpan": f'exec {sys.executable} -c "from flashpan.cli import main; main()" "$@"',
        "some-recorder": f"exec ffmpeg -v error -i {tmp_path}/storm.mp4 -f yuv4mpegpipe -",
    }.items():
        (tmp_path / "bin" / name).write_text(f"#!/bin/sh\n{line}\n")
        (tmp_path / "bin" / name).chmod(0o755)
    done = subprocess.run(
        ["bash", "-eo", "pipefail", "-c", script],
        cwd=tmp_path,
        env={**os.environ, "PATH": f"{tmp_path / 'bin'}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert all(clips(tmp_path / name) for name in ["clips", "bridged", "edited", "links", "piped"])


def test_a_settings_file_says_what_the_clips_shall_be(run, mjpeg, out):
    beside = mjpeg.with_name("flashpan.toml")
    beside.write_text('also = ["gif"]\nverify = false\n')
    assert run("find", mjpeg).status == 0  # no matter of its
    done = run("trim", mjpeg, "--out", out, "--verify", *QUICK)
    assert done.status == 0
    forms = {about.get("form", "clip") for about in clips(out).values()}
    assert len(list(out.glob("*.gif"))) == 2
    assert all(about["verified"] for about in clips(out).values() if "form" not in about)
    assert "gif" in forms
    beside.write_text('also = ["gfi"]\n')
    refused = run("trim", mjpeg, "--out", out, *QUICK)
    assert refused.status == 2
    assert "also cannot be 'gfi'; did you mean 'gif'?" in refused.err

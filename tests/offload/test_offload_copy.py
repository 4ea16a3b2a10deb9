"""Copies of what was flagged: by flashpan, by rsync, by dd."""

import hashlib
import json
import os
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pytest
import tifffile
from offload_fixtures import KEPT, ODD
from trim_fixtures import h264

import flashpan
from flashpan.errors import UsageError
from flashpan.offload.lists import dd_script, file_list
from flashpan.units import Duration

RSYNC = pytest.mark.skipif(shutil.which("rsync") is None, reason="rsync is not installed")
BRIGHTNESS = flashpan.Settings(detectors=("brightness",))


def files(folder):
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


def frames(path):
    with flashpan.open_take(path) as take:
        return [frame.luma for frame in take]


def kept(shots):
    return np.concatenate([shots[first : last + 1] for first, last in KEPT])


def record(dest, place):
    return json.loads((dest / f"{place}.copied.events.json").read_text())


@pytest.mark.parametrize("place", [f"{ODD}/-drop.npy", "spark.y4m", "stills"])
def test_copies_are_takes_of_the_kept_frames(applied, shots, place):
    dest, _ = applied
    assert np.array_equal(np.array(frames(dest / place)), kept(shots))


def test_raw_keeps_its_header_and_geometry(applied, card, shots):
    dest, _ = applied
    assert (dest / "burst.bin").read_bytes() == b"16 bytes of head" + kept(shots).tobytes()


def test_the_log_of_a_copy_maps_its_frames(applied, shots):
    dest, _ = applied
    said = record(dest, "burst.bin")
    assert said["offload"]["frames"] == [
        {"first": 0, "last": 15, "take_first": 46, "take_last": 61},
        {"first": 16, "last": 31, "take_first": 96, "take_last": 111},
    ]
    assert [(one["onset"], one["take_onset"]) for one in said["events"]] == [(4, 50), (20, 100)]
    assert said["offload"]["log"]["take"]["frames"] == 120
    digest = hashlib.sha256((dest / "burst.bin").read_bytes()).hexdigest()
    assert said["offload"]["files"] == [{"name": "burst.bin", "sha256": digest}]


def test_the_log_of_a_copy_is_one_to_cut_by(applied, tmp_path, shots):
    dest, _ = applied
    done = flashpan.trim(dest / "burst.bin", tmp_path, log=dest / "burst.bin.copied.events.json")
    assert [(clip.first, clip.last) for clip in done.clips] == [(0, 15), (16, 31)]
    assert done.clips[1].path.read_bytes() == kept(shots)[16:].tobytes()


def test_videos_become_clips_that_are_proved(applied):
    dest, done = applied
    clips = {one.place: one.copied for one in done.takes if one.place.startswith("tower")}
    for place, made in clips.items():
        assert [copy.proof for copy in made] == ["bit for bit"] * 2, place
        assert all(copy.path.parent == dest / "tower" for copy in made)
    assert (dest / "tower" / "long.events.json").exists()


def test_whole_where_there_is_no_part(applied, card):
    dest, _ = applied
    assert (dest / "columns.npy").read_bytes() == (card / "columns.npy").read_bytes()
    assert not (dest / "quiet.npy").exists()
    assert record(dest, "quiet.npy")["events"] == []


def test_stills_keep_names_and_times(applied, card):
    dest, _ = applied
    names = sorted(path.name for path in (dest / "stills").iterdir())
    assert names[0] == ";s 0046.png"
    assert len(names) == 32
    for name in names:
        there, was = dest / "stills" / name, card / "stills" / name
        assert there.read_bytes() == was.read_bytes()
        assert there.stat().st_mtime_ns == was.stat().st_mtime_ns


def test_a_second_run_copies_only_what_is_missing(applied, card, tmp_path):
    dest = tmp_path / "dest"
    shutil.copytree(applied[0], dest)
    (dest / "stills" / ";s 0050.png").unlink()
    (dest / "burst.bin").unlink()
    (dest / ".flashpan-0123456789ab.part.bin").write_bytes(b"half")
    before = {name: (dest / name).stat().st_ino for name in files(dest)}
    done = flashpan.flag(card, to=dest)
    assert files(dest) == files(applied[0])
    after = {name: (dest / name).stat().st_ino for name in files(dest)}
    new = {name for name in after if after[name] != before.get(name)}
    # of what is there, the log of the copy that was missing may be written again
    assert new - {"burst.bin.copied.events.json"} == {"stills/;s 0050.png", "burst.bin"}
    assert all(one.was_known for one in done.takes)
    there = {one.place: [copy.was_there for copy in one.copied] for one in done.takes}
    assert there["spark.y4m"] == [True]
    assert there["tower/long.mp4"] == [True, True]
    assert there["burst.bin"] == [False]


def test_pages_become_clips(shots, tmp_path):
    tifffile.imwrite(tmp_path / "pages.tif", shots)
    (one,) = flashpan.flag(tmp_path / "pages.tif", BRIGHTNESS, to=tmp_path / "dest").takes
    (part,), (copy,) = one.parts, one.copied
    assert copy.proof == "bit for bit"
    assert np.array_equal(tifffile.imread(copy.path), shots[part.first : part.last + 1])


def test_a_video_that_cannot_be_cut_is_copied_whole(tmp_path):
    """A transport stream of a few packets is not known as one by whoever reads it."""
    shots = np.full((60, 48, 64), 40, np.uint8)
    shots[42] = 200
    h264(tmp_path / "short.ts", shots)
    rolls = Duration.of_frames(1)
    settings = replace(BRIGHTNESS, pre_roll=rolls, post_roll=rolls)
    (one,) = flashpan.flag(tmp_path / "short.ts", settings, to=tmp_path / "dest").takes
    assert one.copy_notes[0].startswith("was copied whole: a transport stream of so few bytes")
    assert (tmp_path / "dest/short.ts").read_bytes() == (tmp_path / "short.ts").read_bytes()


def test_what_is_in_the_way_stays(applied, card, tmp_path):
    dest = tmp_path / "dest"
    (dest / "stills").mkdir(parents=True)
    (dest / "stills" / ";s 0046.png").write_bytes(b"mine")
    done = flashpan.flag(card / "stills", to=dest / "stills")
    assert "exists already; give --overwrite" in str(done.failed[0].error)
    assert (dest / "stills" / ";s 0046.png").read_bytes() == b"mine"


def test_a_link_out_of_the_destination_is_refused(card, tmp_path):
    (tmp_path / "dest").mkdir()
    (tmp_path / "dest" / "burst.bin").symlink_to(tmp_path / "elsewhere")
    done = flashpan.flag(card / "burst.bin", to=tmp_path / "dest")
    assert "is a link to somewhere else" in str(done.failed[0].error)
    assert not (tmp_path / "elsewhere").exists()


@RSYNC
@pytest.mark.parametrize("from0", [False, True])
def test_rsync_takes_the_list(flagged, card, tmp_path, from0):
    listed = tmp_path / "list"
    listed.write_bytes(file_list(flagged, from0=from0))
    more = ["--from0"] if from0 else []
    command = ["rsync", "-a", *more, f"--files-from={listed}", f"{card}/", f"{tmp_path}/to/"]
    subprocess.run(command, check=True, capture_output=True)
    got = files(tmp_path / "to")
    assert len([name for name in got if name.startswith("stills/;s ")]) == 32
    assert set(got) >= {f"{ODD}/-drop.npy", "burst.bin", "spark.y4m", "tower/long.mp4"}
    assert "quiet.npy" not in got
    for name in got:
        assert (tmp_path / "to" / name).read_bytes() == (card / name).read_bytes()


ODD_NAMES = [
    "#a",
    ";b",
    "-n",
    "two\nlines",
    "*",
    " c ",
    "back\\slash",
    os.fsdecode(b"\xff\xfe"),
    "é",
]


@RSYNC
def test_odd_names_arrive(shots, tmp_path):
    source = tmp_path / "source"
    source.mkdir()
    for name in ODD_NAMES:
        np.save(source / f"{name}.npy", shots[30:90])
    flagged = flashpan.flag(source, BRIGHTNESS)
    assert len(flagged.takes) == len(ODD_NAMES)
    with pytest.raises(UsageError, match="has a line end in its name; give --from0, too"):
        file_list(flagged)
    (tmp_path / "list").write_bytes(file_list(flagged, from0=True))
    command = ["rsync", "-a", "--from0", f"--files-from={tmp_path}/list", f"{source}/", "to/"]
    subprocess.run(command, check=True, capture_output=True, cwd=tmp_path)
    assert files(tmp_path / "to") == files(source)
    (tmp_path / "plan.sh").write_bytes(dd_script(flagged))
    subprocess.run(["sh", "plan.sh", "dd"], check=True, capture_output=True, cwd=tmp_path)
    assert files(tmp_path / "dd") == files(source)


def test_the_script_makes_the_same_copies(flagged, applied, tmp_path):
    script = tmp_path / "plan.sh"
    script.write_bytes(dd_script(flagged))
    first = subprocess.run(["sh", script, tmp_path / "to"], capture_output=True, text=True)
    assert (first.returncode, first.stdout, first.stderr) == (0, "", "")
    assert files(tmp_path / "to") == sorted([f"{ODD}/-drop.npy", "burst.bin", "spark.y4m"])
    for name in files(tmp_path / "to"):
        assert (tmp_path / "to" / name).read_bytes() == (applied[0] / name).read_bytes()
    again = subprocess.run(["sh", script, tmp_path / "to"], capture_output=True, text=True)
    assert again.returncode == 3
    assert again.stderr.count("exists already: left as it is") == 3


def test_the_script_notices_a_source_that_is_gone(flagged, tmp_path):
    script = tmp_path / "plan.sh"
    script.write_bytes(dd_script(flagged))
    done = subprocess.run(["sh", script, tmp_path / "to", tmp_path], capture_output=True)
    assert done.returncode not in (0, 3)
    assert not (tmp_path / "to" / "burst.bin").exists()

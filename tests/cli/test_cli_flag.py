"""``flashpan flag``."""

import json

import pytest
from offload_fixtures import HEADER, ROLLS
from trim_fixtures import pictures


@pytest.fixture(scope="module")
def card(tmp_path_factory):
    """A raw take and a damaged one."""
    folder = tmp_path_factory.mktemp("flag") / "card"
    folder.mkdir()
    (folder / "burst.bin").write_bytes(HEADER + pictures().tobytes())
    (folder / "flashpan.toml").write_text(ROLLS + 'raw = "64x48:Mono8+16"\n')
    (folder / "bad.mp4").write_bytes(b"\0\0\0\x18ftypisom" + b"x" * 50)
    return folder


def test_json_has_it_all(run, card):
    done = run("flag", card, "--json", "--offload-rate", "3kB/s")
    assert done.status == 3
    assert done.err.count("\n") == 1
    told = json.loads(done.out)
    burst = next(take for take in told["takes"] if take["place"] == "burst.bin")
    assert burst["around"] == [{"first": 0, "last": 15, "bytes": 16}]
    first = 16 + 46 * 3072
    assert burst["ranges"][0]["spans"] == [
        {"first": first, "last": first + 16 * 3072 - 1, "bytes": 16 * 3072}
    ]
    assert told["offload"]["bytes_per_s"] == 3000
    assert told["failed"][0]["path"].endswith("bad.mp4")


def test_as_text(run, card):
    done = run("flag", card / "burst.bin", "--offload-rate", "3kB/s")
    assert done.status == 0
    assert "burst.bin   46-61  bytes 141328-190479  " in done.out
    assert "offload   0:01:30 saved at 3 kB per second" in done.out
    assert "header: bytes 0-15" in done.out


def test_lists_for_other_programs(run, card, tmp_path):
    words = ("--file-list", tmp_path / "list", "--from0", "--dd-script", tmp_path / "plan.sh")
    done = run("flag", card, *words)
    assert done.status == 3
    assert (tmp_path / "list").read_bytes() == b""  # the only take is in the script
    assert b"from 141328 49152" in (tmp_path / "plan.sh").read_bytes()
    done = run("flag", card, "--file-list", "-")
    assert done.out == "./burst.bin\n"


def test_copied_once(run, card, tmp_path):
    dest = tmp_path / "dest"
    assert "verified\n" in run("flag", card, "--apply", dest).out
    again = run("flag", card, "--apply", dest)
    assert "verified; 1 of 1 there already" in again.out
    assert "read      0 bytes (0.0 %) to find out" in again.out
    (dest / "burst.bin").write_bytes(b"other")
    refused = run("flag", card, "--apply", dest)
    assert refused.status == 3
    assert "burst.bin exists already; give --overwrite to replace it" in refused.err
    assert run("flag", card, "--apply", dest, "--overwrite").status == 3  # of the damaged one
    assert (dest / "burst.bin").stat().st_size == 16 + 32 * 3072


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--offload-rate", "fast"], "--offload-rate 'fast' is no rate"),
        (["--from0"], "--from0 is about --file-list; give both"),
        (["--overwrite"], "--overwrite is about --apply; give both"),
    ],
)
def test_a_wrong_command(run, card, words, why):
    done = run("flag", card, *words)
    assert (done.status, done.out) == (2, "")
    assert why in done.err
    assert done.err.count("\n") == 1

"""``flashpan sheet``: what is printed, what is refused, and sheets of a night."""

import json
import shutil
from pathlib import Path

import pytest
from PIL import Image
from trim_fixtures import QUICK, pictures, video

from flashpan.night.catalog import Catalog
from flashpan.night.record import NightRecord


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """A night of two takes, one of them calm, made with its sheets by worker processes."""
    from flashpan.night.ingest import ingest
    from flashpan.settings import Settings

    folder = tmp_path_factory.mktemp("night")
    (folder / "card" / "tower").mkdir(parents=True)
    video(folder / "card" / "tower" / "burst.mov")
    video(folder / "card" / "calm.mov", shots=pictures(flashes=()))
    asked = Settings.from_mapping({"capture_rate": 1000, "pre_roll": 4, "merge_gap": 3})
    done = ingest(folder / "card", folder / "night", asked, workers=1)
    assert done.errors == []
    return folder


@pytest.fixture
def copied(night, tmp_path):
    """The same night, to be spoilt."""
    shutil.copytree(night / "night", tmp_path / "night")
    return tmp_path / "night"


def test_prints_what_it_made(run, mjpeg, out):
    done = run("sheet", mjpeg, "--out", out, *QUICK)
    assert done.status == 0
    assert [Path(line).name for line in done.out.splitlines()] == [
        "take.sheet.png",
        "take.sheet.pdf",
        "take.scores.png",
        "take.strips",
    ]
    assert done.err == ""
    again = run("sheet", mjpeg, "--out", out, *QUICK)
    assert again.status == 3
    assert "--overwrite" in again.err
    assert len(again.err.splitlines()) == 1


def test_a_take_that_fails_does_not_stop_the_others(run, mjpeg, out, tmp_path):
    (tmp_path / "bad.mov").write_bytes(b"no video")
    done = run("sheet", tmp_path / "bad.mov", tmp_path / "none.mov", mjpeg, "--out", out, *QUICK)
    assert done.status == 3
    assert len(done.err.splitlines()) == 2
    assert (out / "take.sheet.png").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["-"], "pipe"),
        (["TAKE", "--most", "0"], "--most"),
        (["TAKE", "--pre-roll", "x"], "--pre-roll"),
        ([], "TAKE"),
    ],
)
def test_wrong_command(run, mjpeg, out, words, said):
    words = [str(mjpeg) if word == "TAKE" else word for word in words]
    done = run("sheet", *words, "--out", out)
    assert done.status == 2
    assert len(done.err.splitlines()) == 1
    assert said in done.err


class TestNight:
    def test_every_take_has_its_sheet_and_the_night_has_one(self, night):
        dest = night / "night"
        names = {path.relative_to(dest).as_posix() for path in dest.rglob("*") if path.is_file()}
        for take in ("tower/burst/burst", "calm/calm"):
            for suffix in (".sheet.png", ".sheet.pdf", ".scores.png", ".scores.npz"):
                assert f"{take}{suffix}" in names
            assert f"{take}.strips/strips.json" in names
        assert {"night.sheet.png", "night.sheet.pdf"} <= names
        with Image.open(dest / "night.sheet.png") as page:
            assert page.width == 1952
        with NightRecord.read(dest) as record:
            assert [record.warnings(take.id) for take in record.takes()] == [[], []]

    def test_sheets_that_are_missing_are_made(self, run, copied, night):
        for path in (copied / "tower" / "burst").glob("*.strips/*"):
            path.unlink()
        done = run("sheet", copied)
        assert done.status == 0
        assert [Path(line).name for line in done.out.splitlines()] == [
            "burst.sheet.png",
            "burst.sheet.pdf",
            "burst.scores.png",
            "burst.strips",
            "night.sheet.png",
            "night.sheet.pdf",
        ]
        one, other = (
            folder / "tower" / "burst" / "burst.sheet.png" for folder in (copied, night / "night")
        )
        assert one.read_bytes() == other.read_bytes()

    def test_a_take_that_is_gone_is_said(self, run, copied, night):
        shutil.rmtree(copied / "tower" / "burst" / "burst.strips")
        take = night / "card" / "tower" / "burst.mov"
        take.rename(take.with_suffix(".away"))
        try:
            done = run("sheet", copied)
        finally:
            take.with_suffix(".away").rename(take)
        assert done.status == 0
        assert "burst.mov: no sheet" in done.err
        assert "night.sheet.png" in done.out

    def test_marks_are_seen(self, run, copied):
        before = (copied / "night.sheet.png").read_bytes()
        with Catalog.open(copied) as catalog:
            take = next(row.id for row in catalog.takes() if row.name == "burst")
            catalog.set_mark(take, 0, "circled")
            catalog.set_mark(take, 1, "rejected")
        assert run("sheet", copied).status == 0
        assert (copied / "night.sheet.png").read_bytes() != before

    def test_what_cannot_be_drawn_costs_no_take(self, run, night, tmp_path, monkeypatch):
        import flashpan.sheet.make as make

        def broken(*args, **more):
            raise ZeroDivisionError("no ink")

        monkeypatch.setattr(make, "make_sheets", broken)
        dest = tmp_path / "night"
        done = run("ingest", night / "card", "--to", dest, "--engine", "inline", *QUICK, "--json")
        assert done.status == 0
        assert json.loads(done.out)["totals"]["done"] == 2
        with NightRecord.read(dest) as record:
            said = [text for take in record.takes() for text in record.warnings(take.id)]
        assert len(said) == 2
        assert all("no ink" in text for text in said)

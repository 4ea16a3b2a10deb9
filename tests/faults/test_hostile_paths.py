"""Catalogs and logs that somebody changed, and links, which lead out of the folder they lie in."""

import json
import os
import shutil

import pytest
from faultlab import QUICK, hashes
from ingest_fixtures import QUICKLY

from flashpan.errors import TakeError
from flashpan.handoff.night import hand_off
from flashpan.night.catalog import Catalog
from flashpan.night.htmlreport import write_html_report
from flashpan.night.ingest import ingest
from flashpan.night.looks import seen_takes
from flashpan.night.record import NightRecord
from flashpan.night.verify import verify


@pytest.fixture(scope="module")
def made(card, tmp_path_factory):
    dest = tmp_path_factory.mktemp("made") / "night"
    assert ingest(card, dest, QUICKLY, engine="inline").errors == []
    return dest


@pytest.fixture
def night(made, tmp_path):
    return shutil.copytree(made, tmp_path / "night")


@pytest.fixture
def elsewhere(night, tmp_path):
    """Results of a take that would do well, but lie outside the night."""
    return shutil.copytree(night / "a", tmp_path / "elsewhere")


def change(night, sql, *values):
    with Catalog.open(night) as catalog:
        assert catalog._db.run(sql, *values).rowcount


def lead_to(night, elsewhere, how):
    """Let the catalog, or a link, name that folder."""
    if how == "link":
        shutil.rmtree(night / "a")
        (night / "a").symlink_to(elsewhere)
    else:
        folder = "../elsewhere" if how == "up" else str(elsewhere)
        change(night, "UPDATE take SET folder = ? WHERE folder = 'a'", folder)


@pytest.mark.parametrize("how", ["up", "absolute", "link"])
def test_a_folder_elsewhere_is_neither_read_nor_written(night, elsewhere, how, tmp_path, end_of):
    lead_to(night, elsewhere, how)
    (elsewhere / "secret.txt").write_text("mine")
    shutil.rmtree(elsewhere / "a.strips")  # so that sheets would be made there
    before = hashes(elsewhere)
    checked = verify(night)
    assert any("outside the night" in fault for fault in checked.faults)
    assert not any("elsewhere" in path and "differs" in path for path in checked.faults)
    with NightRecord.read(night) as record:
        assert [take.row.folder for take in seen_takes(record)] == ["b"]
        page = write_html_report(record, tmp_path / "page")
    assert "a_r000" not in page.read_text()
    with pytest.raises(TakeError, match="outside the night"):
        hand_off(night, tmp_path / "handed")
    ended = end_of("sheet", night, "--overwrite")
    assert ended.status == 0, ended.said
    ended = end_of("verify", night)
    assert ended.status == 3, ended.said
    assert hashes(elsewhere) == before


@pytest.mark.parametrize("name", ["../../elsewhere/{clip}", "{elsewhere}/{clip}"])
def test_a_clip_elsewhere_is_not_read(night, elsewhere, name, tmp_path):
    clip = next(night.glob("a/a_r*.npy")).name
    name = name.format(clip=clip, elsewhere=elsewhere)
    change(night, "UPDATE clip SET name = ? WHERE name = ?", name, clip)
    assert any("outside the night" in fault for fault in verify(night).faults)
    with pytest.raises(TakeError, match="outside the night"):
        hand_off(night, tmp_path / "handed")


def test_links_among_what_is_listed_are_not_followed(night, elsewhere, tmp_path):
    clip = next(night.glob("a/a_r*.npy"))
    clip.unlink()
    clip.symlink_to(elsewhere / clip.name)
    (fault,) = (fault for fault in verify(night).faults if clip.name in fault)
    assert "outside the night" in fault
    picture = next(night.glob("a/a.strips/*.jpg"))
    picture.unlink()
    picture.symlink_to(elsewhere / "a.strips" / picture.name)
    plot = night / "a" / "a.scores.png"
    plot.unlink()
    plot.symlink_to(elsewhere / plot.name)
    with NightRecord.read(night) as record:
        page = write_html_report(record, tmp_path / "page")
        number = [take.row.name for take in seen_takes(record)].index("a")
    a, b = (page.parent / f"take{one:04d}" for one in (number, 1 - number))
    assert not (a / picture.name).exists()
    assert not (a / "scores.png").exists()
    assert list(a.glob("*.jpg")) != []  # the others are there
    assert (b / "scores.png").exists()


@pytest.mark.parametrize(
    ("command", "name"),
    [
        ("sheet", "../../stolen"),
        *(("trim", name) for name in ("../../stolen", "/stolen", "a\0b", "..")),
    ],
)
def test_an_edited_log_names_no_file(made, card, tmp_path, end_of, command, name):
    data = json.loads((made / "a" / "a.events.json").read_text())
    data["take"] |= {"name": name, "path": f"/nowhere/{name}"}
    log = tmp_path / "logs" / "edited.events.json"
    log.parent.mkdir()
    log.write_text(json.dumps(data))
    before = hashes(tmp_path)
    words = QUICK if command == "trim" else ()
    ended = end_of(
        command, card / "a.npy", "--log", log, "--out", tmp_path / "deep" / "out", *words
    )
    assert ended.status in (0, 3), ended.said
    assert ended.line or not ended.status
    made_now = set(hashes(tmp_path)) - set(before)
    strays = {path for path in made_now if not path.startswith(f"deep{os.sep}out{os.sep}")}
    assert strays <= {"said.txt", "did.txt"}
    assert not (tmp_path.parent / "stolen").exists()

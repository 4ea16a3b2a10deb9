"""The shot log: from a night that was really made, as CSV, as a page and as a workbook."""

import csv
import os
import re
from html.parser import HTMLParser

import openpyxl
import pytest
from ingest_fixtures import QUICKLY
from trim_fixtures import h264, pictures, video

import flashpan
from flashpan.handoff.night import hand_off
from flashpan.night.catalog import Catalog

SETTINGS = """
capture-rate = 5000

[slate]
production = "Night storms"
camera = "A"

[take."strike".slate]
scene = "=1+1 <b>"
"""
NASTY = "=HYPERLINK(1) <script>alert(1)</script>\x07 & \u00fcber"


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Two takes, one of them without events, and one file that was cut off; marked."""
    card = tmp_path_factory.mktemp("card")
    video(card / "quiet.mov", shots=pictures(60, []))
    cut = h264(card / "strike.mp4", pictures(flashes=[60]))
    (card / "late.mp4").write_bytes(cut.read_bytes()[:3000])
    (card / "flashpan.toml").write_text(SETTINGS)
    for path in card.glob("*.m*"):
        os.utime(path, (1_780_000_000, 1_780_000_000))
    dest = tmp_path_factory.mktemp("night")
    flashpan.ingest(card, dest, QUICKLY, engine="inline")
    with Catalog.open(dest) as catalog:
        (event,) = catalog.events()
        catalog.set_mark(event.take_id, event.number, "circled")
        catalog.set_note(event.take_id, event.number, NASTY)
    return dest


@pytest.fixture(scope="module")
def done(night):
    return hand_off(night, xlsx=True)


@pytest.fixture(scope="module")
def rows(done):
    with (done.folder / "shotlog.csv").open(newline="", encoding="utf-8") as file:
        return {row["take"]: row for row in csv.DictReader(file)}


class TestCsv:
    def test_a_row_for_every_event_and_every_take(self, rows):
        assert set(rows) == {"quiet", "strike", "late"}
        assert rows["quiet"]["event"] == ""
        assert rows["quiet"]["state"] == "done"
        assert rows["late"]["state"] == "failed"
        assert "cut off" in rows["late"]["error"]

    def test_three_clocks(self, rows):
        row = rows["strike"]
        onset = int(row["onset"])
        assert float(row["onset_real"]) == pytest.approx(onset / 5000)
        assert float(row["onset_playback"]) == pytest.approx(onset / 25)

    def test_slates_of_the_settings_file(self, rows):
        assert rows["strike"]["slate production"] == rows["quiet"]["slate production"]
        assert rows["strike"]["slate scene"] == "'=1+1 <b>"
        assert rows["quiet"]["slate scene"] == ""

    def test_marks_notes_and_clips(self, rows, night):
        import hashlib

        row = rows["strike"]
        # what begins like a formula is kept from being one
        assert (row["mark"], row["note"]) == ("circled", f"'{NASTY}")
        clip = night / row["clip"]
        assert hashlib.sha256(clip.read_bytes()).hexdigest() == row["sha256"]
        assert row["verified"] == "bit for bit"

    def test_time_of_day_and_where_it_is_from(self, rows):
        assert rows["strike"]["time_from"] == "file"
        assert rows["strike"]["shot_at"].startswith("2026-05-28T")

    def test_columns_are_documented(self, rows):
        from flashpan.cli.handoff import _HELP
        from flashpan.handoff.shotlog import COLUMNS

        documented = set(re.findall(r"\w+", _HELP.partition("Columns of shotlog.csv:")[2]))
        named = {name for names in COLUMNS for name in names.split(", ")} - {"slate …"}
        assert {name for name in rows["strike"] if not name.startswith("slate")} == named
        assert named <= documented

    def test_a_slate_that_changed_is_known_after_the_next_run(self, night, tmp_path):
        """Without doing anything again."""
        with flashpan.NightRecord.read(night) as record:
            card = os.path.dirname(next(record.takes()).path)
            before = [attempt for attempt in record.attempts() if attempt.outcome == "done"]
        path = os.path.join(card, "flashpan.toml")
        with open(path, "w") as file:
            file.write(SETTINGS.replace("=1+1 <b>", "13"))
        flashpan.ingest(card, night, QUICKLY, engine="inline")
        with flashpan.NightRecord.read(night) as record:
            assert {take.slate.get("scene") for take in record.takes()} == {None, "13"}
            assert [one for one in record.attempts() if one.outcome == "done"] == before


class Page(HTMLParser):
    """Tags, and the text of cells, as a browser would have them."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.cells, self._in_cell = [], [], False
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self._in_cell = tag in ("td", "dd") or (self._in_cell and tag in ("br", "span"))
        if tag in ("td", "dd"):
            self.cells.append("")

    def handle_endtag(self, tag):
        self._in_cell = self._in_cell and tag not in ("td", "dd")

    def handle_data(self, data):
        if self._in_cell:
            self.cells[-1] += data


class TestPage:
    def test_what_is_on_it(self, done, rows):
        page = Page((done.folder / "shotlog.html").read_text(encoding="utf-8"))
        row = rows["strike"]
        for text in (NASTY, "=1+1 <b>", "Night storms", row["onset"], "flash", "◯"):
            assert text in page.cells
        assert any(row["sha256"] in cell for cell in page.cells)
        assert page.tags.count("section") == 3

    def test_nothing_from_outside_is_markup(self, done):
        text = (done.folder / "shotlog.html").read_text(encoding="utf-8")
        assert "script" not in Page(text).tags
        assert "default-src 'none'" in text
        assert not re.search(r"(src|href)=", text)


class TestWorkbook:
    def test_read_back(self, done, rows):
        sheet = openpyxl.load_workbook(done.folder / "shotlog.xlsx").active
        head, *lines = sheet.iter_rows(values_only=True)
        assert list(head) == list(rows["strike"])
        by_take = {line[0]: dict(zip(head, line, strict=True)) for line in lines}
        for take, row in rows.items():
            for name, value in row.items():
                cell = by_take[take][name]
                if isinstance(cell, float):  # fifteen figures, as spreadsheets have them
                    assert cell == pytest.approx(float(value), rel=1e-14), name
                else:
                    text = "" if cell is None else str(cell)
                    # in a CSV, which has no types, a quote shields what would be computed
                    plain = value[1:] if value.startswith("'=") else value
                    assert text == plain.replace("\x07", "\ufffd"), name

    def test_no_text_is_a_formula(self, done):
        book = openpyxl.load_workbook(done.folder / "shotlog.xlsx")
        assert {cell.data_type for row in book.active for cell in row} <= {"s", "n"}

    def test_without_the_library(self, night, monkeypatch):
        monkeypatch.setitem(__import__("sys").modules, "openpyxl", None)
        with pytest.raises(flashpan.UsageError, match=r"--xlsx needs openpyxl.*flashpan\[xlsx\]"):
            hand_off(night, xlsx=True)


def test_the_command_says_what_it_wrote(night, tmp_path, capsys):
    from flashpan.cli import main

    with pytest.raises(SystemExit) as left:
        main(["handoff", str(night), "--out", str(tmp_path / "edit"), "--circled"])
    out, err = capsys.readouterr()
    assert left.value.code == 0
    assert err == ""
    names = [os.path.basename(line) for line in out.splitlines()]
    assert names == ["cutlist.otio", "cutlist.edl", "markers.csv", "shotlog.csv", "shotlog.html"]
    assert all(os.path.exists(line) for line in out.splitlines())

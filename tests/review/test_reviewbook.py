"""What the operator does is saved at once, and undone one by one."""

import json
import sqlite3

import pytest
from night_fixtures import event, found, identity, log, outcome, put_done, report

from flashpan.cut.plan import TrimSettings
from flashpan.errors import CatalogError, UsageError
from flashpan.night.catalog import Catalog
from flashpan.night.edits import DrawnRegion
from flashpan.night.key import key_of, said
from flashpan.night.record import NightRecord
from flashpan.night.reviewbook import ReviewBook, UnknownRow
from flashpan.night.schema import VERSION
from flashpan.review.asked import asked_of, is_out_of_date
from flashpan.settings import Settings

LAMP = DrawnRegion(role="ignore", x=1, y=2, width=10, height=20)
STAGE = DrawnRegion(role="look", x=0, y=0, width=32, height=32)


@pytest.fixture
def dest(tmp_path):
    with Catalog.open(tmp_path) as catalog:
        put_done(catalog, result=outcome([event(50), event(500)]))
    return tmp_path


@pytest.fixture
def book(dest):
    with ReviewBook.open(dest) as book:
        yield book


def state(book):
    return (
        [(one.mark, one.note) for one in book.events(1)],
        {number: (edit.first, edit.last) for number, edit in book.range_edits(1).items()},
        book.regions(1),
    )


CHANGES = {
    "mark": lambda book: book.mark(1, 0, "circled"),
    "note": lambda book: book.note(1, 1, "  glass first, then sound\n"),
    "range": lambda book: book.set_range(1, 0, 45, 60),
    "regions": lambda book: book.set_regions(1, [LAMP, STAGE]),
}


class TestChanges:
    @pytest.mark.parametrize("what", CHANGES)
    def test_are_there_for_whoever_opens_it_next(self, book, dest, what):
        before = state(book)
        CHANGES[what](book)
        with ReviewBook.open(dest) as other:
            assert state(other) == state(book) != before
            assert other.next_undo().what == what

    @pytest.mark.parametrize("what", CHANGES)
    def test_are_undone_and_made_again(self, book, what):
        before = state(book)
        CHANGES[what](book)
        after = state(book)
        assert book.undo().what == what
        assert state(book) == before
        assert book.next_undo() is None
        assert book.redo().what == what
        assert state(book) == after
        assert book.redo() is None

    def test_all_are_undone_in_order_and_made_again_in_order(self, book):
        states = [state(book)]
        for change in CHANGES.values():
            change(book)
            states.append(state(book))
        book.mark(1, 0, None)
        states.append(state(book))
        for expected in states[-2::-1]:
            book.undo()
            assert state(book) == expected
        assert book.undo() is None
        for expected in states[1:]:
            book.redo()
            assert state(book) == expected

    def test_what_was_undone_is_forgotten_once_something_else_is_done(self, book):
        book.mark(1, 0, "circled")
        book.undo()
        book.mark(1, 1, "rejected")
        assert book.next_redo() is None
        assert [one.mark for one in book.events(1)] == [None, "rejected"]

    def test_what_changes_nothing_is_no_step(self, book):
        book.mark(1, 0, None)
        book.set_regions(1, [])
        book.set_range(1, 0, 40, 69)  # as it was found
        assert book.next_undo() is None

    def test_notes_lose_only_the_blanks_around_them(self, book):
        CHANGES["note"](book)
        assert [one.note for one in book.events(1)] == ["", "glass first, then sound"]


class TestRefused:
    @pytest.mark.parametrize(
        "change",
        [
            lambda book: book.mark(1, 0, "best"),
            lambda book: book.note(1, 0, "x" * 2001),
            lambda book: book.set_range(1, 0, 60, 45),
            lambda book: book.set_range(1, 0, -1, 45),
            lambda book: book.set_range(1, 0, 0, 1000),
            lambda book: book.set_regions(1, [DrawnRegion(role="x", x=0, y=0, width=1, height=1)]),
            lambda book: book.set_regions(
                1, [DrawnRegion(role="look", x=-1, y=0, width=1, height=1)]
            ),
            lambda book: book.set_regions(
                1, [DrawnRegion(role="look", x=0, y=0, width=0, height=1)]
            ),
        ],
    )
    def test_makes_no_sense(self, book, change):
        before = state(book)
        with pytest.raises(UsageError):
            change(book)
        assert state(book) == before
        assert book.next_undo() is None

    @pytest.mark.parametrize(
        "change",
        [
            lambda book: book.mark(7, 0, "circled"),
            lambda book: book.mark(1, 2, "circled"),
            lambda book: book.note(1, -1, "x"),
            lambda book: book.set_range(1, 2, 5, 6),
            lambda book: book.set_regions(9, [LAMP]),
        ],
    )
    def test_is_not_there(self, book, change):
        with pytest.raises(UnknownRow):
            change(book)

    def test_no_night(self, tmp_path):
        with pytest.raises(CatalogError, match="holds no night"):
            ReviewBook.open(tmp_path)
        assert list(tmp_path.iterdir()) == []


class TestBesideRuns:
    def test_marks_are_set_while_a_run_is_at_work(self, dest, book):
        with Catalog.open(dest) as catalog:
            book.mark(1, 0, "circled")
            put_done(catalog, "/card/b.mp4", "b")
            book.mark(2, 0, "rejected")
        assert [one.mark for one in book.events()] == ["circled", None, "rejected"]

    def test_edited_ranges_go_over_to_what_the_take_has_then(self, dest, book):
        book.set_range(1, 0, 45, 60)
        book.set_range(1, 1, 480, 530)
        with Catalog.open(dest) as catalog:
            catalog.finish(1, outcome([event(20), event(52), event(120)]))
        edits = {number: (one.first, one.last) for number, one in book.range_edits(1).items()}
        assert edits == {1: (45, 60)}
        assert any("480-530" in text for text in book.warnings(1))
        assert book.next_undo() is None  # its steps spoke of other ranges

    def test_an_earlier_version_is_brought_up_to_date(self, dest):
        with sqlite3.connect(dest / "night.sqlite") as connection:
            for table in ("range_edit", "take_region", "asked_before", "review_step"):
                connection.execute(f"DROP TABLE {table}")
            connection.execute(f"PRAGMA user_version = {VERSION - 1}")
        connection.close()
        with ReviewBook.open(dest) as book:
            book.mark(1, 0, "circled")
        with NightRecord.read(dest) as record:
            assert record.faults() == []


class TestRegions:
    SETTINGS = Settings.from_mapping({"pre_roll": "5ms", "capture_rate": 1000, "ignore": "0,0,9,9"})

    def test_are_added_to_what_a_run_asks_for(self, dest, book):
        book.set_regions(1, [LAMP, STAGE])
        with Catalog.open(dest) as catalog:
            asked = catalog.with_regions(1, self.SETTINGS, TrimSettings())
        assert [str(one) for one in asked.ignore] == ["0,0,9,9", "1,2,10,20"]
        assert [str(one) for one in asked.roi] == ["0,0,32,32"]
        assert asked.pre_roll == self.SETTINGS.pre_roll
        assert book.asked_before(1) == json.loads(json.dumps(said(self.SETTINGS, TrimSettings())))
        book.set_regions(1, [])
        with Catalog.open(dest) as catalog:
            assert catalog.with_regions(1, self.SETTINGS, TrimSettings()) == self.SETTINGS
        assert book.asked_before(1) is None

    def test_a_take_searched_otherwise_is_out_of_date(self, dest, book):
        take = found("/card/c.mp4")
        with Catalog.open(dest) as catalog:
            number = catalog.add(take, identity("c"))

            def search():
                asked = catalog.with_regions(number, self.SETTINGS, TrimSettings())
                key = key_of(asked, TrimSettings())
                catalog.begin(number, said(asked, TrimSettings()), key, "c")
                catalog.finish(number, report(log=log()))

            def is_due():
                row = next(row for row in book.takes() if row.id == number)
                return is_out_of_date(book, row)

            search()
            assert not is_due()
            book.set_regions(number, [LAMP])
            assert is_due()
            search()
            assert not is_due()
            book.set_regions(number, [])
            assert is_due()
            search()
            assert not is_due()

    @pytest.mark.parametrize(
        "values",
        [
            {},
            {"capture_rate": "30000/1001", "pre_roll": "200us", "roi": "10%,0,50%,100%"},
            {"detectors": ["speck"], "false_alarms": 0.5, "first": 3, "last": 90},
            {"raw": "640x480:Mono12p", "ignore": [[0, 0, 5, 5], "1,1,2,2"], "trigger_frame": -5},
        ],
    )
    def test_what_was_asked_for_is_read_back(self, values):
        settings = Settings.from_mapping(values)
        wanted = TrimSettings(also=("gif", "png8"), how="exact", verify=False)
        kept = json.loads(json.dumps(said(settings, wanted)))
        assert key_of(*asked_of(kept)) == key_of(settings, wanted)

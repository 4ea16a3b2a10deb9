"""``flashpan report``."""

import csv
import io
import json

import pytest
from night_fixtures import put_done

from flashpan.night.catalog import Catalog


@pytest.fixture
def night(tmp_path):
    with Catalog.open(tmp_path) as catalog:
        put_done(catalog)
    return tmp_path


def test_as_text(run, night):
    status, out, err = run("report", night, "--offload-rate", "3kB/s")
    assert (status, err) == (0, "")
    assert out.startswith(f"night     {night}\ntakes     1: 1 done\n")
    assert "offload   0:00:02 saved at 3 kB per second" in out


def test_as_csv_and_json(run, night):
    (row,) = csv.DictReader(io.StringIO(run("report", night, "--csv").out))
    told = json.loads(run("report", night, "--json").out)
    assert row["path"] == told["events"][0]["path"] == "/card/a.mp4"


def test_both_at_once(run, night):
    status, out, err = run("report", night, "--csv", "--json")
    assert (status, out) == (2, "")
    assert "exclude each other; give one" in err


def test_no_night(run, tmp_path):
    status, out, err = run("report", tmp_path)
    assert (status, out) == (3, "")
    assert err == f"flashpan: {tmp_path}: holds no night (night.sqlite); check the folder\n"


def test_a_wrong_rate(run, night):
    status, _, err = run("report", night, "--offload-rate", "fast")
    assert status == 2
    assert "--offload-rate 'fast' is no rate" in err


def test_a_page_that_cannot_be_put_there_is_one_line(run, night, tmp_path):
    (tmp_path / "file").touch()
    status, _, err = run("report", night, "--html", tmp_path / "file" / "page")
    assert status == 3
    assert err.startswith(f"flashpan: {tmp_path / 'file'}: cannot be made")
    assert err.count("\n") == 1

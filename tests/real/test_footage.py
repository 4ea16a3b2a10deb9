"""Fetching takes: what is kept is checked, and what can't be had says why."""

import dataclasses
import hashlib

import footage as source
import pytest

CONTENT = b"not a video, but known to the byte"
PARCEL = source.Parcel(
    registry="PyPI",
    package="invented",
    version="1.0",
    member="invented/take.mov",
    sha256=hashlib.sha256(CONTENT).hexdigest(),
)


@pytest.fixture
def fetches(monkeypatch):
    """Count what is fetched; nothing leaves this machine."""
    done = []

    def fetch(parcel, scratch):
        done.append(parcel)
        take = scratch / "take"
        take.write_bytes(CONTENT)
        return take

    monkeypatch.setitem(source._FETCH, "PyPI", fetch)
    return done


def test_a_take_is_fetched_once(fetches, tmp_path):
    first = source.fetched(PARCEL, tmp_path)
    assert source.fetched(PARCEL, tmp_path) == first
    assert first.read_bytes() == CONTENT
    assert len(fetches) == 1


def test_a_damaged_copy_in_the_cache_is_fetched_again(fetches, tmp_path):
    source.fetched(PARCEL, tmp_path).write_bytes(b"damaged")
    assert source.fetched(PARCEL, tmp_path).read_bytes() == CONTENT
    assert len(fetches) == 2


def test_another_edition_is_refused_and_not_kept(fetches, tmp_path):
    other = dataclasses.replace(PARCEL, sha256="0" * 64)
    with pytest.raises(source.NotFetched, match="another edition") as refused:
        source.fetched(other, tmp_path)
    assert not refused.value.lacks_client
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]


def test_a_system_without_the_client_is_told_apart(monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    parcel = dataclasses.replace(PARCEL, registry="Debian")
    with pytest.raises(source.NotFetched, match="no apt-get on this system") as absent:
        source.fetched(parcel, tmp_path)
    assert absent.value.lacks_client


@pytest.mark.parametrize(
    ("ci", "lacks_client", "outcome"),
    [
        ("", False, pytest.skip.Exception),
        ("true", True, pytest.skip.Exception),
        ("true", False, pytest.fail.Exception),
    ],
    ids=["at-a-desk", "no-client", "ci"],
)
def test_a_take_that_ci_could_have_had_is_a_failure(
    footage, monkeypatch, ci, lacks_client, outcome
):
    def fetch(parcel, scratch):
        raise source.NotFetched("no network", lacks_client=lacks_client)

    monkeypatch.setitem(source._FETCH, "PyPI", fetch)
    monkeypatch.setenv("CI", ci)
    with pytest.raises(outcome, match="no network"):
        footage(PARCEL)

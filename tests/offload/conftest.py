"""The card, searched and copied once."""

import pytest
from offload_fixtures import make_card
from trim_fixtures import pictures

import flashpan


@pytest.fixture(scope="session")
def card(tmp_path_factory):
    return make_card(tmp_path_factory.mktemp("offload") / "card")


@pytest.fixture(scope="session")
def flagged(card):
    return flashpan.flag(card, offload_rate="3kB/s")


@pytest.fixture(scope="session")
def applied(card, tmp_path_factory):
    """Where the card was copied to, and what came of it."""
    dest = tmp_path_factory.mktemp("applied") / "dest"
    return dest, flashpan.flag(card, to=dest)


@pytest.fixture(scope="session")
def by_place(flagged):
    return {one.place: one for one in flagged.takes}


@pytest.fixture(scope="session")
def shots():
    return pictures()

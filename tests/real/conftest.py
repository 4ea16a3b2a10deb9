"""Gives tests the real takes, or says why it cannot."""

import os

import pytest
from footage import NotFetched, fetched


@pytest.fixture(scope="session")
def footage():
    """Path of a real take; the test is skipped, with the reason, where it can't be had.

    In continuous integration a take that could be fetched but wasn't is a failure: a run
    without its real takes must not pass for one with them.
    """

    def path_of(parcel):
        try:
            return fetched(parcel)
        except NotFetched as reason:
            absent = reason
        if os.environ.get("CI") and not absent.lacks_client:
            pytest.fail(str(absent), pytrace=False)
        pytest.skip(str(absent))

    return path_of

"""Items that a second thread makes: in order, all of them, errors where they belong, no rest."""

import threading
import time
from itertools import count

import pytest

from flashpan.ahead import ahead


def n_threads():
    return threading.active_count()


def test_hands_on_every_item_in_order_and_leaves_no_thread():
    before = n_threads()
    assert list(ahead(iter(range(100)), 3)) == list(range(100))
    assert n_threads() == before


def test_an_error_comes_after_the_items_before_it():
    def items():
        yield 1
        yield 2
        raise ValueError("third")

    seen = []
    with pytest.raises(ValueError, match="third"):
        seen.extend(ahead(items(), 8))
    running = ahead(items(), 8)
    assert [next(running), next(running)] == [1, 2]


def test_no_more_wait_than_were_asked_for():
    made = []

    def items():
        for number in count():
            made.append(number)
            yield number

    running = ahead(items(), 4)
    next(running)
    time.sleep(0.3)
    # One used, four waiting, one on its way.
    assert len(made) <= 6
    running.close()


def test_closing_stops_the_thread_and_closes_the_iterator_in_it():
    closed_in = []

    def items():
        try:
            yield from count()
        finally:
            closed_in.append(threading.current_thread())

    before = n_threads()
    running = ahead(items(), 2)
    next(running)
    running.close()
    assert n_threads() == before
    assert closed_in
    assert closed_in[0] is not threading.current_thread()


def test_keyboard_interrupts_of_the_maker_reach_the_user():
    def items():
        yield 1
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        list(ahead(items(), 2))

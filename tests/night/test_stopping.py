"""A stop that was asked for is not missed, wherever its exception was lost."""

import signal
import threading
from contextlib import suppress

import pytest

from flashpan.night.stopping import go_on, stoppable


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_stops_the_block(number):
    with pytest.raises(KeyboardInterrupt), stoppable():
        signal.raise_signal(number)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_stop_that_was_swallowed_is_heard_when_asked_for(number):
    with stoppable():
        with suppress(KeyboardInterrupt):  # as a library's callback may
            signal.raise_signal(number)
        with pytest.raises(KeyboardInterrupt):
            go_on()


def test_nothing_is_left_after_the_block():
    before = signal.getsignal(signal.SIGTERM)
    with pytest.raises(KeyboardInterrupt), stoppable():
        signal.raise_signal(signal.SIGTERM)
    assert signal.getsignal(signal.SIGTERM) is before
    go_on()


def test_outside_the_main_thread_nothing_is_heard_and_nothing_breaks():
    before, said = signal.getsignal(signal.SIGTERM), []

    def work():
        with stoppable():
            said.append(signal.getsignal(signal.SIGTERM))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert said == [before]

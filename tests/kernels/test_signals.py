"""A compiler is not stopped in the middle of what it builds; what asked for it is heard after."""

import signal
import threading

import numpy as np
import pytest
from numba.core import event

from flashpan.kernels.compiled import kernel
from flashpan.kernels.signals import kept_back


class Stopped(Exception):
    """What the handlers of these tests raise."""


@pytest.fixture(params=[signal.SIGINT, signal.SIGTERM])
def number(request):
    def stop(number, frame):
        raise Stopped(number)

    before = signal.signal(request.param, stop)
    yield request.param
    signal.signal(request.param, before)


def test_compiles_to_the_end(number):
    @kernel
    def doubled(numbers):
        for i in range(len(numbers)):
            numbers[i] *= 2

    class Stopper(event.Listener):
        def on_start(self, event):
            signal.raise_signal(number)

        def on_end(self, event):
            pass

    doubled._ready = doubled._in_memory  # what an earlier run kept is not compiled
    numbers = np.ones(3, np.float32)
    with event.install_listener("numba:compile", Stopper()), pytest.raises(Stopped):
        doubled(numbers)
    assert doubled._ready.signatures
    doubled(numbers)  # nothing compiles: nothing is raised
    assert numbers.tolist() == [2, 2, 2]


def test_heard_once_at_the_end(number):
    reached = []

    @kept_back()
    def work():
        signal.raise_signal(number)
        signal.raise_signal(number)
        reached.append(True)

    with pytest.raises(Stopped) as caught:
        work()
    assert reached
    assert caught.value.args == (number,)
    with pytest.raises(Stopped):
        signal.raise_signal(number)


def test_heard_where_the_block_fails(number):
    @kept_back()
    def work():
        signal.raise_signal(number)
        raise ValueError

    with pytest.raises(Stopped):
        work()


def test_nothing_to_do_in_another_thread(number):
    def work():
        with kept_back():
            handlers.append(signal.getsignal(number))

    handlers = []
    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert handlers == [signal.getsignal(number)]

"""How loops are compiled: by Numba, once, and kept for later runs.

A *kernel* is called from Python, a *part* from kernels of its own module alone: what Numba
keeps is renewed when the file that holds the kernel changes, and not when another one does.
No kernel may use fast mathematics.  Sums of floating-point numbers are then made in the order in
which they are written, products and sums are rounded one by one, and results are the same on
every machine.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any, Generic, ParamSpec, TypeVar, cast

import numba

from flashpan.kernels.signals import kept_back

P = ParamSpec("P")
R = TypeVar("R")

# Other threads go on meanwhile, and a division by zero gives what NumPy gives.
_OPTIONS: dict[str, Any] = {"nogil": True, "error_model": "numpy"}
_LOG = logging.getLogger(__name__)


def part(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a function that kernels of its module call."""
    return cast("Callable[P, R]", numba.njit(**_OPTIONS)(function))


def kernel(function: Callable[P, R]) -> Kernel[P, R]:
    """Compile a function when it is first called, or load what an earlier run compiled."""
    return Kernel(function)


class Kernel(Generic[P, R]):
    """A compiled function.

    What is compiled is kept beside the package or, where that cannot be written, in the user's
    cache folder or in ``NUMBA_CACHE_DIR``: whoever may write there may run code, as with the
    package itself.  Where nothing can be written or what is there is
    damaged, it is compiled in memory.

    Parameters
    ----------
    function : callable
        Written in what Numba compiles.
    """

    def __init__(self, function: Callable[P, R]) -> None:
        self._in_memory: Callable[P, R] = _patient(numba.njit(**_OPTIONS)(function))
        try:
            self._ready: Callable[P, R] = _patient(numba.njit(cache=True, **_OPTIONS)(function))
        except RuntimeError:  # Numba finds no folder that it may write to
            self._ready = self._in_memory
        self.__doc__ = function.__doc__
        self.__name__ = function.__name__

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        """Call it."""
        try:
            return self._ready(*args, **kwargs)
        except Exception as error:  # a damaged file may raise anything
            if self._ready is self._in_memory:
                raise
            _LOG.debug("%s is compiled in memory: %s", self.__name__, error)
            self._ready = self._in_memory
            return self._ready(*args, **kwargs)


def _patient(dispatcher: Any) -> Any:
    """Have a dispatcher of Numba keep signals back whenever it compiles or loads what it kept."""
    compile_or_load = dispatcher.compile

    def patiently(signature: Any) -> Any:
        with kept_back():
            return compile_or_load(signature)

    dispatcher.compile = patiently
    return dispatcher

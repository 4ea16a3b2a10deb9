"""The command line in processes of their own that have everything loaded.

A new Python spends most of a short command's time on imports; a kill at a random moment would hit
those.  These processes are forked from one that has done with them, so that a kill hits work.
"""

import os
import sys
from multiprocessing import get_context
from pkgutil import walk_packages

import flashpan

_MODULES = [module.name for module in walk_packages(flashpan.__path__, "flashpan.")]

_server = get_context("forkserver")
_server.set_forkserver_preload([*_MODULES, "scipy.ndimage", "tqdm", "cut_fixtures", "warm"])


def warm(work, *arguments):
    """Begin ``work(*arguments)``; both must pickle.  What it says goes nowhere.

    Returns
    -------
    multiprocessing.Process
        With `kill`, `join` and `exitcode`; a process that raises ends with status 1.
    """
    process = _server.Process(target=_quietly, args=(work, arguments))
    process.start()
    return process


def warm_command(*words):
    """Begin ``flashpan`` with these words."""
    return warm(command, [str(word) for word in words])


def command(words):
    """What the program does; it ends by `SystemExit`."""
    from flashpan.cli import main

    main(words)


def _quietly(work, arguments):
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (sys.stdout, sys.stderr):
        os.dup2(nowhere, stream.fileno())
    work(*arguments)

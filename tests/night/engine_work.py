"""Things for workers to do; a module of its own, so that a new process finds them."""

import os
import signal
import time
from pathlib import Path


def double(number):
    return 2 * number


def double_or_die(number):
    if number < 0:
        os.kill(os.getpid(), -number)
    time.sleep(0.05)
    return 2 * number


def leave_with_status(status):
    os._exit(status)


def fail(text):
    raise ValueError(text)


def pid(_):
    return os.getpid()


def environment(name):
    return os.environ.get(name)


def opencv_threads(_):
    import cv2

    return cv2.getNumThreads()


def wait_and_tidy(path):
    """Say that it has begun, wait, and tidy up when told to stop."""
    Path(path).write_text(str(os.getpid()))
    try:
        time.sleep(60)
    finally:
        Path(path).unlink()


def wait_deaf(path):
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    Path(path).write_text(str(os.getpid()))
    time.sleep(60)


def add_line(path):
    with open(path, "a") as file:
        file.write("x\n")

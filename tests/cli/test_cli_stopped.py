"""SIGTERM ends every command in order, as Ctrl-C does."""

import signal
import subprocess
import sys
import time

import numpy as np
import pytest


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_search_that_is_told_to_stop(flash, tmp_path, number):
    np.save(tmp_path / "long.npy", np.tile(np.load(flash), (20, 1, 1)))
    code = (
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from flashpan.cli import main; main()"
    )
    words = [sys.executable, "-c", code, "find", str(tmp_path / "long.npy"), "--jsonl"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        process.stdout.readline()  # the first event: it is at work
        process.send_signal(number)
        time.sleep(0.1)
        process.send_signal(number)
        _, said = process.communicate(timeout=120)
    assert said in (b"flashpan: stopped\n", b"")
    assert process.returncode in (130, -number)

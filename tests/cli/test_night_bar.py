"""The bar of a night, as a terminal shows it."""

import os
import pty
import re
import subprocess
import sys
import termios

from flashpan.cli.progress import night_progress
from flashpan.night.headway import Headway

WAY = Headway(takes=60, takes_done=22, bytes=1000, bytes_done=370, frames=1_234_567, events=1)


CODE = f"""
from flashpan.cli.progress import night_progress
from flashpan.night.headway import Headway
with night_progress() as bar:
    bar.show({WAY})
    bar.say('a.mov: is empty')
"""


def test_says_how_far_it_is_and_lets_lines_pass():
    near, far = pty.openpty()
    termios.tcsetwinsize(far, (24, 120))
    subprocess.run([sys.executable, "-c", CODE], stderr=far, check=True)
    os.close(far)
    text = _all_of(near)
    assert re.search(
        r"night: 22/60 takes, 1 event, 1,234,567 frames, [\d,]+ frames/s +37%\|.*\| \d\d:\d\d,"
        r" .* left",
        text,
    )
    # the line stands by itself, where the bar was
    assert re.search(r"\r *\rflashpan: a\.mov: is empty\r\n", text)


def test_is_silent_where_nobody_looks(capsys):
    with night_progress() as bar:
        bar.show(WAY)
        bar.say("a.mov: is empty")
    assert capsys.readouterr().err == "flashpan: a.mov: is empty\n"


def _all_of(terminal):
    text = b""
    try:
        while part := os.read(terminal, 4096):
            text += part
    except OSError:  # how a terminal says that nobody writes to it any more
        pass
    os.close(terminal)
    return text.decode()

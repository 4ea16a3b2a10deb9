"""The command line as a whole: start, help, exit statuses, streams."""

import os
import re
import shlex
import signal
import subprocess
import sys
import time
from itertools import takewhile

import click
import numpy as np
import pytest

import flashpan
from flashpan.cli import _COMMANDS, commands

MAIN = [sys.executable, "-c", "from flashpan.cli import main; main()"]

# Every option that the product's vocabulary gives `find`.
FIND_OPTIONS = [
    "--capture-rate",
    "--playback-rate",
    "--trigger-frame",
    "--pre-roll",
    "--post-roll",
    "--merge-gap",
    "--roi",
    "--ignore",
    "--detector",
    "--false-alarms",
    "--shortest-event",
    "--first",
    "--last",
    "--settings",
    "--raw",
    "--json",
    "--jsonl",
    "--csv",
    "--out",
    "--overwrite",
    "--explain",
]


def command_named(name):
    return commands.get_command(click.Context(commands), name)


def help_of(name):
    command = command_named(name)
    return command.get_help(click.Context(command, info_name=f"flashpan {name}"))


def examples():
    for name in _COMMANDS:
        for line in help_of(name).splitlines():
            if line.strip().startswith("flashpan "):
                yield pytest.param(line.strip(), id=line.strip())


@pytest.mark.parametrize("name", _COMMANDS)
def test_every_command_has_help_with_an_example(name):
    assert re.search(rf"^ +flashpan {name}", help_of(name), re.M)
    assert command_named(name).get_short_help_str()


@pytest.mark.parametrize("example", list(examples()))
def test_every_example_parses(example):
    words = shlex.split(example)
    program, name, *args = takewhile(lambda word: word not in ("|", ">"), words)
    assert program == "flashpan"
    assert name in _COMMANDS
    command_named(name).make_context(name, args)


@pytest.mark.parametrize("option", FIND_OPTIONS)
def test_find_has_every_option_of_the_vocabulary(option):
    assert re.search(rf"^ +{option}\b", help_of("find"), re.M)


def test_every_column_of_csv_is_documented():
    from flashpan.eventlog import CSV_COLUMNS

    documented = help_of("find").partition("Columns of --csv:")[2].partition("Options:")[0]
    assert set(CSV_COLUMNS) <= set(re.findall(r"\w+", documented))


def test_the_defaults_in_help_are_the_defaults(run):
    from flashpan.settings import _DEFAULT_ROLLS

    text = " ".join(help_of("find").split())
    for name, (seconds, frames) in _DEFAULT_ROLLS.items():
        option = "--" + name.replace("_", "-")
        said = f"[default: {int(seconds * 1000)}ms, at least {frames} frames]"
        assert re.search(rf"{option} DURATION [^\[]*{re.escape(said)}", text)


def test_help_loads_nothing_heavy():
    code = (
        "import sys\nfrom flashpan.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit: pass\n"
        "heavy = {'numpy', 'av', 'cv2', 'scipy', 'tqdm', 'imageio', 'tifffile'}\n"
        "sys.exit(','.join(heavy & set(sys.modules)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    for name in _COMMANDS:
        assert f"\n  {name} " in done.stdout


def test_version(run):
    assert flashpan.__version__ in run("--version").out


def test_bare_call_shows_help(run):
    outcome = run()
    assert outcome.status == 0
    assert "Usage: flashpan" in outcome.out


@pytest.mark.parametrize(
    ("args", "text"),
    [
        (["fin"], "No such command 'fin'"),
        (["find"], "Missing argument 'TAKE...'"),
        (["slate"], "Missing argument 'TAKE...'"),
        (["find", "--nope", "a"], "No such option"),
        (["find", "a", "--json", "--csv"], "--json, --jsonl and --csv exclude each other"),
        (["find", "a", "--overwrite"], "--overwrite is about the logs of --out DIR"),
        (["find", "a", "--pre-roll", "-3"], "--pre-roll '-3' is no duration"),
        (["find", "a", "--false-alarms", "0"], "false_alarms must be above zero"),
        (["find", "a", "--detector", "brightnes"], "did you mean 'brightness'?"),
        (["find", "a", "--roi", "1,2,3"], "--roi '1,2,3' is no region"),
        (["find", "a", "--first", "9", "--last", "3"], "first 9 comes after last 3"),
        (["find", "a", "--capture-rate", "0"], "--capture-rate '0' must be above zero"),
        (["find", "a", "--settings", "none.toml"], "none.toml: no such settings file"),
    ],
)
def test_a_wrong_command_is_one_line_and_status_2(run, args, text):
    outcome = run(*args)
    assert outcome.status == 2
    assert outcome.out == ""
    assert outcome.err.startswith("flashpan: ")
    assert text in outcome.err
    assert outcome.err.count("\n") == 1


def test_no_traceback_where_the_reader_of_stdout_leaves(tmp_path):
    np.save(tmp_path / "a.npy", np.zeros((20, 16, 16), np.uint8))
    command = [*MAIN, "slate", *["a.npy"] * 200]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=tmp_path
    ) as process:
        process.stdout.readline()
        process.stdout.close()
        err = process.stderr.read()
        assert process.wait(30) == 0
    assert err == b""


def test_results_that_find_no_space_are_status_3(tmp_path):
    np.save(tmp_path / "a.npy", np.zeros((20, 16, 16), np.uint8))
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [*MAIN, "slate", tmp_path / "a.npy"], stdout=full, stderr=subprocess.PIPE, text=True
        )
    assert done.returncode == 3
    assert done.stderr.startswith("flashpan: standard output: cannot be written (No space left")
    assert done.stderr.count("\n") == 1


def test_help_into_a_closed_pipe_is_quiet():
    read_end, write_end = os.pipe()
    os.close(read_end)
    done = subprocess.run([*MAIN, "--help"], stdout=write_end, stderr=subprocess.PIPE)
    os.close(write_end)
    assert b"Traceback" not in done.stderr
    assert b"Exception" not in done.stderr


def test_ctrl_c_is_one_line_and_status_130(tmp_path):
    # a pipe that never delivers: the command waits until it is stopped
    code = (
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from flashpan.cli import main; print('ready', flush=True); main(['slate', '-'])"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout.readline() == "ready\n"
        time.sleep(1)
        process.send_signal(signal.SIGINT)
        assert process.wait(30) == 130
        assert process.stdout.read() == ""
        assert process.stderr.read().strip() == "flashpan: stopped"


def test_names_that_the_terminal_cannot_show(tmp_path):
    name = os.fsdecode(b"n\xe9.npy")
    np.save(tmp_path / name, np.zeros((20, 16, 16), np.uint8))
    done = subprocess.run(
        [*MAIN, "slate", tmp_path / name],
        capture_output=True,
        env=os.environ | {"PYTHONIOENCODING": "ascii"},
    )
    assert done.returncode == 0, done.stderr
    assert b"16x16" in done.stdout

"""Completion by real shells, the manual page by the formatters, versions for a report."""

import re
import shutil
import subprocess
import sys

import click
import pytest

import flashpan
from flashpan.cli import _COMMANDS, commands
from flashpan.cli.complete import _WORDS, SHELLS
from flashpan.cli.roff import _line, manual_page


class TestCompletion:
    @pytest.mark.parametrize("shell", SHELLS)
    def test_a_script_that_the_shell_takes(self, run, shell, tmp_path):
        script = run("completion", shell).out
        assert "_FLASHPAN_COMPLETE" in script
        if shutil.which(shell) is None:
            pytest.skip(f"no {shell} here")
        path = tmp_path / "script"
        path.write_text(script)
        checked = subprocess.run([shell, "-n", path], capture_output=True, text=True)
        assert checked.returncode == 0, checked.stderr

    @pytest.mark.parametrize(
        ("words", "last", "found"),
        [
            (["flashpan", "rep"], "rep", {"report"}),
            (["flashpan", "find", "--pre"], "--pre", {"--pre-roll"}),
            (["flashpan", "plan", "--subject", "l"], "l", {"laser", "lightning"}),
            (["flashpan", "completion", ""], "", set(SHELLS)),
        ],
    )
    def test_bash_completes(self, run, on_path, tmp_path, words, last, found):
        """In bash itself, by the function that the script defines."""
        if shutil.which("bash") is None:
            pytest.skip("no bash here")
        script = tmp_path / "script"
        script.write_text(run("completion", "bash").out)
        line = " ".join(f"'{word}'" for word in words)
        program = (
            f"source {script}; COMP_WORDS=({line}); COMP_CWORD={len(words) - 1};"
            " _flashpan_completion flashpan; printf '%s\\n' \"${COMPREPLY[@]}\""
        )
        done = subprocess.run(["bash", "-c", program], env=on_path, capture_output=True, text=True)
        assert set(done.stdout.split()) == found, done.stderr

    @pytest.mark.parametrize(
        ("name", "param", "kind"),
        [("find", "takes", "file"), ("report", "dest", "dir"), ("trim", "out", "dir")],
    )
    def test_paths_are_left_to_the_shell(self, name, param, kind):
        ctx = click.Context(commands)
        one = {p.name: p for p in commands.get_command(ctx, name).params}[param]
        (item,) = one.shell_complete(ctx, "night")
        assert (item.type, item.value) == (kind, "night")

    def test_words_are_those_that_exist(self):
        from flashpan import registry
        from flashpan.planner.subjects import SUBJECTS

        assert set(_WORDS["detectors"]) == set(registry.names(registry.DETECTORS))
        assert set(_WORDS["subject"]) == set(SUBJECTS)


class TestManualPage:
    @pytest.fixture
    def page(self):
        return manual_page(commands, click.Context(commands, info_name="flashpan"))

    def test_every_command_and_option(self, page):
        text = page.replace("\\-", "-")
        for name in _COMMANDS:
            assert f".SS flashpan {name}\n" in text
            command = commands.get_command(click.Context(commands), name)
            for param in command.params:
                if isinstance(param, click.Option):
                    assert f"\\fB{param.opts[0]}" in text

    def test_nothing_is_taken_for_a_request(self, page):
        known = {"TH", "SH", "SS", "PP", "TP", "B", "nf", "fi"}
        requests = {line[1:].split()[0] for line in page.splitlines() if line[:1] in (".", "'")}
        assert requests == known
        assert _line(".hidden") == "\\&.hidden"
        assert _line("a\\b") == "a\\eb"

    @pytest.mark.parametrize(
        "formatter",
        [["groff", "-man", "-ww", "-Kutf8", "-Tutf8"], ["mandoc", "-Tutf8", "-Wwarning"]],
    )
    def test_as_the_formatter_reads_it(self, page, formatter):
        if shutil.which(formatter[0]) is None:
            pytest.skip(f"no {formatter[0]} here")
        done = subprocess.run(formatter, input=page + "\n", capture_output=True, text=True)
        complaints = [
            line
            for line in done.stderr.splitlines()
            if "missing date" not in line and "see above" not in line
        ]
        assert complaints == []
        shown = re.sub(r"\x1b\[[\d;]*m|.\x08", "", done.stdout)
        assert "--false-alarms NUMBER" in shown
        assert re.search(r"^\s+flashpan ingest /media/card --to /night", shown, re.M)

    def test_the_command(self, run):
        assert run("man").out.startswith(".TH FLASHPAN 1")


class TestVersions:
    def test_short(self, run):
        assert run("--version").out == f"flashpan, version {flashpan.__version__}\n"

    def test_all_that_matters(self, run):
        import av
        import numpy

        lines = dict(
            re.split(r" {2,}", line, maxsplit=1)
            for line in run("--version", "--verbose").out.splitlines()
        )
        assert lines["flashpan"] == flashpan.__version__
        assert lines["numpy"] == numpy.__version__
        assert lines["libavcodec"] == ".".join(map(str, av.library_versions["libavcodec"]))
        assert lines["Python"].endswith(sys.version.split()[0])
        assert "ffmpeg" in lines["ffmpeg command"]

    def test_verbose_alone(self, run):
        outcome = run("--verbose")
        assert outcome.status == 2
        assert "--verbose goes with --version" in outcome.err

    def test_a_broken_library_keeps_nothing_back(self, monkeypatch):
        from flashpan.versions import version_lines

        monkeypatch.setitem(sys.modules, "av", None)
        monkeypatch.setenv("PATH", "")
        text = "\n".join(version_lines())
        assert "FFmpeg libraries" in text
        assert re.search(r"ffmpeg command +not installed", text)
        assert re.search(r"numpy +\d", text)

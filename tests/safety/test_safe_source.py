"""What the source may not do at all: run text, load objects, start shells, guess names."""

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SOURCE = sorted((ROOT / "src").rglob("*.py")) + sorted((ROOT / "sample_generators").rglob("*.py"))

# what turns bytes into code, or words into a shell's
MODULES = {"pickle", "cPickle", "dill", "marshal", "shelve", "pty", "code", "xmlrpc", "telnetlib"}
MODULES |= {"cloudpickle", "joblib", "jsonpickle", "imp", "runpy", "commands"}
NAMES = {"eval", "exec", "compile", "__import__", "input"}
CALLS = {
    *("os.system", "os.popen", "os.execv", "os.execvp", "os.spawnl", "os.spawnv"),
    *("tempfile.mktemp", "os.tempnam", "os.tmpnam", "yaml.load", "yaml.unsafe_load"),
    *("subprocess.getoutput", "subprocess.getstatusoutput", "asyncio.create_subprocess_shell"),
    *("ssl._create_unverified_context", "np.fromregex", "builtins.eval", "os.chmod", "os.chown"),
}
UNPACK = {"extractall", "extract", "unpack_archive"}
"""Archives are never unpacked: no name in one can lead out of a folder."""
FLAGS = {("shell", True), ("allow_pickle", True), ("verify", False)}


def dotted(node):
    """``a.b.c`` of an expression, or nothing."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute):
        return f"{dotted(node.value)}.{node.attr}"
    return ""


def faults_in(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name.partition(".")[0] for alias in node.names]
            yield from (f"imports {name}" for name in names if name in MODULES)
        elif isinstance(node, ast.ImportFrom) and node.module:
            if node.module.partition(".")[0] in MODULES:
                yield f"imports from {node.module}"
        elif isinstance(node, ast.Call):
            name = dotted(node.func)
            if name in NAMES | CALLS or name.rpartition(".")[2] in UNPACK:
                yield f"calls {name}"
            for word in node.keywords:
                value = word.value.value if isinstance(word.value, ast.Constant) else None
                if (word.arg, value) in FLAGS:
                    yield f"gives {word.arg}={value}"
            if name in ("np.load", "numpy.load"):
                said = {word.arg: getattr(word.value, "value", None) for word in node.keywords}
                if said.get("allow_pickle") is not False:
                    yield "calls np.load without allow_pickle=False"


def test_nothing_that_runs_what_it_reads():
    found = {
        str(path.relative_to(ROOT)): list(faults_in(ast.parse(path.read_text(encoding="utf-8"))))
        for path in SOURCE
    }
    assert {path: faults for path, faults in found.items() if faults} == {}


@pytest.mark.parametrize(
    "text",
    [
        "import pickle",
        "from marshal import loads",
        "eval('1')",
        "import os; os.system('x')",
        "subprocess.run(x, shell=True)",
        "np.load(path)",
        "np.load(path, allow_pickle=True)",
        "tempfile.mktemp()",
        "yaml.load(text)",
        "archive.extractall(folder)",
    ],
)
def test_the_check_itself_sees_them(text):
    assert list(faults_in(ast.parse(text)))


def test_sql_is_never_made_of_values():
    """f-strings in SQL hold names from the source alone: no call, no attribute of a row."""
    names = {"table", "where", "which", "names", "marks", "name", "column", "journal", "key"}
    names |= {"step", "number"}
    for path in (ROOT / "src" / "flashpan" / "night").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.JoinedStr) and _is_sql(node):
                held = [part.value for part in node.values if isinstance(part, ast.FormattedValue)]
                words = {dotted(one) for one in held}
                words -= {word for word in words if word.isupper()}  # constants of a module
                assert words <= names, (path, ast.unparse(node))


def _is_sql(node):
    first = node.values[0]
    return isinstance(first, ast.Constant) and re.match(
        r"\s*(SELECT|INSERT|UPDATE|DELETE|PRAGMA|BEGIN|CREATE)\b", str(first.value)
    )


# dependencies


def declared():
    said = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    optional = said["optional-dependencies"]
    return said["dependencies"], {name: optional[name] for name in ("dask", "xlsx", "review")}


def plain(name):
    return re.split(r"[<>=!~\[; ]", name, maxsplit=1)[0].lower().replace("_", "-")


def imported():
    found = set()
    for path in SOURCE:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                found.add(node.module.partition(".")[0])
    return found - set(sys.stdlib_module_names) - {"flashpan", "sample_generators", "_typeshed"}


def test_all_that_is_imported_is_declared_and_all_that_is_declared_is_used():
    needed, optional = declared()
    names = {plain(one) for one in [*needed, *(one for more in optional.values() for one in more)]}
    by_module = packages_distributions()
    used = {plain(one) for module in imported() for one in by_module.get(module, [module])}
    used |= (PLUG_INS | FOR_BENCHMARKS) & names
    assert used - names == set()
    assert names - used == set()


PLUG_INS = {
    "imagecodecs",  # tifffile decodes by it
    "otio-cmx3600-adapter",  # OpenTimelineIO writes EDLs by it
    "dask",  # distributed is its scheduler
}
FOR_BENCHMARKS = {"imageio"}


def test_every_dependency_has_a_lowest_and_a_highest_version():
    needed, optional = declared()
    for one in [*needed, *(one for more in optional.values() for one in more)]:
        assert re.search(r">=\d", one), one
        assert re.search(r"<\d", one), one

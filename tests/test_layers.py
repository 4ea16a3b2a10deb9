"""The level table of DEVELOPERS.md, enforced on the imports of every module."""

import ast
import re
from pathlib import Path

import pytest

import flashpan

PACKAGE = Path(flashpan.__file__).parent
DEVELOPERS = Path(__file__).parent.parent / "DEVELOPERS.md"
MODULES = sorted(PACKAGE.rglob("*.py"))

# Rooms that `find` joins; the types that flow between them are in `model`.
STRANGERS = ("readers", "measure", "detectors", "picker")


def documented_levels():
    """Place (``units``, ``readers``) to level, from the table in DEVELOPERS.md."""
    levels = {}
    for level, places in re.findall(r"^\| (\d) \| ([^|]+) \|", DEVELOPERS.read_text(), re.M):
        for place in re.findall(r"`(\w+)(?:\.py|/)`", places):
            levels[place] = int(level)
    return levels


LEVELS = documented_levels()


def name_of(path):
    """``readers.base`` for the file; empty for the package itself."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(part for part in parts if part != "__init__")


def imports_of(source):
    """Pairs (module of flashpan, name taken from it), also inside functions and for typing."""
    pairs = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            pairs |= {(alias.name, "*") for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, "imports name the whole module"
            pairs |= {(node.module, alias.name) for alias in node.names}
            if node.module == "flashpan":
                pairs |= {(f"flashpan.{alias.name}", "*") for alias in node.names}
    prefix = "flashpan."
    return {(m.removeprefix(prefix), name) for m, name in pairs if m.startswith(prefix)}


def place(module):
    return module.partition(".")[0]


def places_below(module, pairs):
    """Other places that a module imports from."""
    return {place(m) for m, _ in pairs if place(m) in LEVELS} - {place(module)}


def faults(module, pairs):
    """What is wrong with a module's imports, as text."""
    here = place(module)
    for there in sorted(places_below(module, pairs)):
        if LEVELS[there] > LEVELS[here]:
            yield f"{module} (level {LEVELS[here]}) imports {there} (level {LEVELS[there]})"
        if {here, there} <= set(STRANGERS):
            yield f"{module} imports from {there}; only find joins them"


@pytest.mark.parametrize("path", [path for path in MODULES if name_of(path)], ids=name_of)
def test_imports_only_from_below(path):
    assert not list(faults(name_of(path), imports_of(path.read_text())))


def test_every_module_has_a_level():
    assert {place(name_of(path)) for path in MODULES} - {""} <= set(LEVELS)


def test_every_level_has_its_module():
    assert {name for name in LEVELS if not list(PACKAGE.glob(f"{name}*"))} == set()


def test_places_do_not_import_in_circles():
    graph = {}
    for path in MODULES:
        if here := place(name_of(path)):
            pairs = imports_of(path.read_text())
            graph.setdefault(here, set()).update(places_below(here, pairs))
    while leaves := [name for name, below in graph.items() if not below & set(graph)]:
        for name in leaves:
            del graph[name]
    assert graph == {}


def test_the_check_can_fail():
    assert list(faults("units", {("find", "find")}))
    assert list(faults("picker", {("readers.base", "Reader")}))
    assert list(faults("detectors.base", {("measure", "Measurer")}))
    assert not list(faults("detectors.base", {("model", "Tiles")}))
    assert not list(faults("find", {("readers.base", "Reader"), ("picker", "Picker")}))
    assert imports_of("def late():\n    from flashpan import registry") == {("registry", "*")}


def test_the_developers_guide_names_what_exists():
    root = DEVELOPERS.parent
    named = re.findall(r"`((?:src|tests|sample_generators|\.ci)/[\w./]*)`", DEVELOPERS.read_text())
    assert named
    assert [path for path in named if not (root / path).exists()] == []

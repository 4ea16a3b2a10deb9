from importlib.metadata import EntryPoint

import pytest

from flashpan import registry
from flashpan.errors import PlugInError, UsageError


@pytest.fixture
def broken(monkeypatch):
    point = EntryPoint("broken", "no_such_module:Thing", registry.DETECTORS)
    monkeypatch.setattr(registry, "_points", lambda group: {"broken": point})
    registry.load.cache_clear()
    yield
    registry.load.cache_clear()


def test_built_ins_come_in_by_the_door():
    assert set(registry.names(registry.DETECTORS)) >= {"brightness", "difference", "roi-motion"}
    assert {"video", "stills", "raw", "npy", "pipe"} <= set(registry.names(registry.READERS))


def test_names_are_sorted():
    names = registry.names(registry.READERS)
    assert list(names) == sorted(names)


@pytest.mark.parametrize("group", [registry.DETECTORS, registry.READERS])
def test_every_registered_plug_in_loads_under_its_own_name(group):
    for name in registry.names(group):
        assert registry.load(group, name).name == name


def test_an_unknown_name_lists_those_there_are():
    with pytest.raises(UsageError, match="no detector called 'sparkle'; there are: brightness"):
        registry.load(registry.DETECTORS, "sparkle")


def test_a_broken_plug_in_refuses_with_the_reason(broken):
    text = r"broken \(no_such_module:Thing\) does not load: No module named"
    with pytest.raises(PlugInError, match=text):
        registry.load(registry.DETECTORS, "broken")


def test_a_broken_plug_in_costs_nothing_until_asked_for(broken):
    assert registry.names(registry.DETECTORS) == ("broken",)

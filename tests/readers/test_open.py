from fractions import Fraction

import numpy as np
import pytest
from still_fixtures import noise

from flashpan import registry
from flashpan.errors import PlugInError, UnreadableTake, UsageError
from flashpan.readers import open as opening
from flashpan.readers.open import exact_rate, open_take


@pytest.fixture
def stack(tmp_path):
    np.save(tmp_path / "take.npy", noise(3, 5, 7))
    return tmp_path / "take.npy"


def test_no_such_file(tmp_path):
    with pytest.raises(UnreadableTake) as caught:
        open_take(tmp_path / "gone.mp4")
    assert str(caught.value) == f"{tmp_path / 'gone.mp4'}: no such file or folder; check the path"


@pytest.mark.parametrize(
    ("value", "rate"),
    [
        (None, None),
        (10000, Fraction(10000)),
        (29.97, Fraction(2997, 100)),
        ("30000/1001", Fraction(30000, 1001)),
        ("0.5", Fraction(1, 2)),
        (Fraction(24000, 1001), Fraction(24000, 1001)),
    ],
)
def test_rates_are_exact(stack, value, rate):
    with open_take(stack, capture_rate=value, playback_rate=value, trigger_frame=1) as reader:
        assert reader.info.capture_rate == rate
        assert reader.info.playback_rate == rate
        assert reader.info.trigger_frame == 1


@pytest.mark.parametrize("value", [0, -1, "fast", "1/0", float("nan"), float("inf"), ""])
def test_malformed_rates(value):
    with pytest.raises(UsageError, match="capture rate"):
        exact_rate(value, "capture rate")


class Broken:
    """A plug-in that fails when used."""

    name = "broken"
    priority = 1

    @classmethod
    def accepts(cls, source):
        raise RuntimeError("it blew up")


def with_plugins(monkeypatch, **plugins):
    known = registry.names(registry.READERS)

    def load(group, name):
        if name not in plugins:
            return registry.load(group, name)
        if isinstance(plugins[name], Exception):
            raise plugins[name]
        return plugins[name]

    monkeypatch.setattr(opening, "names", lambda group: (*known, *plugins))
    monkeypatch.setattr(opening, "load", load)


def test_broken_plugins_do_not_stop_the_others(monkeypatch, stack):
    with_plugins(monkeypatch, broken=Broken, gone=PlugInError("gone (a:b) does not load: no a"))
    with open_take(stack) as reader:
        assert reader.name == "npy"


def test_broken_plugins_are_named_when_nothing_accepts(monkeypatch, tmp_path):
    (tmp_path / "odd.xyz").write_bytes(b"nothing known" * 9)

    class Picky(Broken):
        name = "video"
        priority = 90

        @classmethod
        def accepts(cls, source):
            return False

    with_plugins(
        monkeypatch, broken=Broken, gone=PlugInError("gone does not load: no a"), video=Picky
    )
    monkeypatch.setattr(opening, "names", lambda group: ("stills", "npy", "broken", "gone"))
    with pytest.raises(UnreadableTake) as caught:
        open_take(tmp_path / "odd.xyz")
    text = str(caught.value)
    assert "it blew up" in text
    assert "no a" in text
    assert "numbered stills" in text
    assert "\n" not in text


def test_readers_are_asked_in_order_of_priority(monkeypatch, stack):
    asked = []

    def spy(label, rank):
        class Spy(Broken):
            name = label
            priority = rank

            @classmethod
            def accepts(cls, source):
                asked.append(label)
                return False

        return Spy

    with_plugins(monkeypatch, second=spy("second", 2), first=spy("first", 1), late=spy("late", 99))
    open_take(stack).close()
    assert asked == ["first", "second"]


def test_path_may_be_text_or_path(stack):
    for path in (stack, str(stack)):
        with open_take(path) as reader:
            assert reader.info.path == str(stack)


def test_close_twice(stack):
    reader = open_take(stack)
    reader.close()
    reader.close()

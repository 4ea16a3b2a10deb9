"""What may become of a take's bytes: flips, cuts, splices, and headers that lie."""

from __future__ import annotations

import random
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from sample_generators.damage.corpus import Specimen
from sample_generators.damage.structure import BIG, LITTLE, Field, Order, Structure, structure_of

_WORDS = (
    *(b"0", b"-1", b"1", b"2", b"255", b"256", b"65535", b"65536", b"32767", b"1000000"),
    *(b"2147483647", b"2147483648", b"4294967295", b"9223372036854775807", b"-2147483648"),
    *(b"99999999999999999999999999", b"1e9", b"0x10", b"", b"nan", b"3.5", b" ", b"00000000048"),
)


@dataclass(frozen=True, slots=True)
class Mutant:
    """A damaged take.

    Attributes
    ----------
    specimen : Specimen
        With the damaged bytes, and for headerless pixels perhaps another geometry.
    how : str
        What was done, in words.
    """

    specimen: Specimen
    how: str


def mutant(corpus: Sequence[Specimen], seed: int, number: int) -> Mutant:
    """Make damaged take ``number`` of a campaign; the same for the same corpus, seed and number.

    Formats come in turn.  Two fifths are headers that lie, the rest flips, cuts and splices; one
    in five is damaged more than once.
    """
    rng = random.Random(f"{seed}:{number}")
    whole = _any_still(corpus[number % len(corpus)], rng)
    if whole.raw is not None and rng.random() < 0.3:
        return _other_geometry(whole, rng)
    data, said = whole.data, []
    for _ in range(1 if rng.random() < 0.8 else rng.choice((2, 3, 4))):
        kind = rng.choices(tuple(_KINDS), weights=[weight for weight, _ in _KINDS.values()])[0]
        data, detail = _KINDS[kind][1](_Damage(data, whole, corpus, rng))
        said.append(f"{kind} {detail}")
    return Mutant(replace(whole, data=data), "; ".join(said))


def _any_still(whole: Specimen, rng: random.Random) -> Specimen:
    """The take, with any of its stills as the one that is to be damaged."""
    stills = {**whole.others, whole.name: whole.data}
    name = rng.choice(sorted(stills))
    return replace(whole, name=name, data=stills.pop(name), others=stills)


@dataclass(frozen=True, slots=True)
class _Damage:
    """What a kind of damage has to work with."""

    data: bytes
    whole: Specimen
    corpus: Sequence[Specimen]
    rng: random.Random

    @property
    def structure(self) -> Structure:
        return structure_of(self.data, self.whole.family)

    def place(self) -> int:
        """Anywhere, but half of the time in the first half thousand bytes."""
        near = len(self.data) if self.rng.random() < 0.5 else min(512, len(self.data))
        return self.rng.randrange(max(near, 1))


def _flip(damage: _Damage) -> tuple[bytes, str]:
    data = bytearray(damage.data)
    places = [damage.place() for _ in range(damage.rng.choice((1, 1, 2, 8, 64)))]
    for at in places:
        if at < len(data):
            data[at] ^= 1 << damage.rng.randrange(8)
    return bytes(data), f"{len(places)} bits from {min(places)}"


def _cut(damage: _Damage) -> tuple[bytes, str]:
    at = damage.place()
    return damage.data[:at], f"at {at}"


def _cut_at_part(damage: _Damage) -> tuple[bytes, str]:
    parts = damage.structure.parts or (damage.place(),)
    at = max(damage.rng.choice(parts) + damage.rng.choice((0, 0, 1, 4, 8)), 0)
    return damage.data[:at], f"at {at}"


def _splice(damage: _Damage) -> tuple[bytes, str]:
    """The beginning of this take and the end of another, sometimes of its own."""
    other = damage.whole if damage.rng.random() < 0.5 else damage.rng.choice(damage.corpus)
    here, there = damage.place(), damage.rng.randrange(max(len(other.data), 1))
    return damage.data[:here] + other.data[there:], f"{here} bytes and {other.format} from {there}"


def _repeat(damage: _Damage) -> tuple[bytes, str]:
    at, size = damage.place(), damage.rng.choice((1, 4, 64, 1024, 8192))
    block = damage.data[at : at + size]
    return damage.data[:at] + block + damage.data[at:], f"{size} bytes at {at}"


def _drop(damage: _Damage) -> tuple[bytes, str]:
    at, size = damage.place(), damage.rng.choice((1, 2, 4, 64, 1024))
    return damage.data[:at] + damage.data[at + size :], f"{size} bytes at {at}"


def _overwrite(damage: _Damage) -> tuple[bytes, str]:
    at, size = damage.place(), damage.rng.choice((4, 16, 256))
    filling = damage.rng.choice((bytes(size), b"\xff" * size, damage.rng.randbytes(size)))
    size = min(size, len(damage.data) - at)
    return damage.data[:at] + filling[:size] + damage.data[at + size :], f"{size} bytes at {at}"


def _lie(damage: _Damage) -> tuple[bytes, str]:
    """State another number in the header."""
    fields = damage.structure.fields
    if not fields:
        return _overwrite(damage)
    chosen = damage.rng.choice(fields)
    if damage.whole.family == "text":
        word = damage.rng.choice(_WORDS)
        stop = chosen.at + chosen.width
        return damage.data[: chosen.at] + word + damage.data[stop:], f"{word!r} at {chosen.at}"
    value = damage.rng.choice(_numbers(damage.data, chosen))
    order = damage.rng.choice((BIG, LITTLE)) if chosen.order is None else chosen.order
    lied = _with_number(damage.data, chosen, value, order)
    if damage.whole.family == "png" and damage.rng.random() < 0.8:
        lied = _checked_png(lied)
    return lied, f"{value:#x} of {chosen.width} bytes at {chosen.at}"


def _numbers(data: bytes, field: Field) -> list[int]:
    """Extreme values of a field, and some near the one that it has."""
    bits = 8 * field.width
    have = int.from_bytes(data[field.at : field.at + field.width], field.order or BIG)
    top = (1 << bits) - 1
    edges = [0, 1, 2, top, top >> 1, (top >> 1) + 1, top - 1, 1 << bits // 2, 3_000_000, 20_000]
    return [value & top for value in (*edges, have + 1, have - 1, have * 2, have * 1000, -have)]


def _with_number(data: bytes, field: Field, value: int, order: Order) -> bytes:
    stated = value.to_bytes(field.width, order)
    return data[: field.at] + stated + data[field.at + field.width :]


def _checked_png(data: bytes) -> bytes:
    """Make the sums of a PNG's parts right again, so that a lie is believed."""
    made, at = bytearray(data[:8]), 8
    while at + 12 <= len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        body = data[at + 4 : at + 8 + size]
        made += data[at : at + 4] + body + zlib.crc32(body).to_bytes(4, "big")
        at += 12 + size
    return bytes(made) + data[at:]


_KINDS: dict[str, tuple[int, Callable[[_Damage], tuple[bytes, str]]]] = {
    "lie": (40, _lie),
    "flip": (18, _flip),
    "cut": (8, _cut),
    "cut at a part": (8, _cut_at_part),
    "splice": (8, _splice),
    "overwrite": (8, _overwrite),
    "repeat": (5, _repeat),
    "drop": (5, _drop),
}


def _other_geometry(whole: Specimen, rng: random.Random) -> Mutant:
    """Headerless pixels whose geometry is not theirs."""
    sides = (0, 1, 2, 31, 48, 47, 4096, 65535, 999_999_999)
    layout = rng.choice(("Mono8", "Mono10p", "Mono12Packed", "Mono16", "BayerRG10", "Mono14"))
    offset = rng.choice(("", "", "+0", "+7", "+999999999999999999", "+18432"))
    raw = f"{rng.choice(sides)}x{rng.choice(sides)}:{layout}{offset}"
    return Mutant(replace(whole, raw=raw), f"geometry {raw}")

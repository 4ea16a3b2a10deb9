"""Formulas, and the search for all that they give: what is known leads to what is not.

Every formula is tried as soon as all that it needs is known.  Where two ways lead to one
quantity they have to agree within one percent, since people round what they write; else what
was given contradicts itself, and the error names the values that clash.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from flashpan.errors import SettingsError
from flashpan.planner.quantities import ALL, Number
from flashpan.planner.show import said, shown

_AGREE = 0.01


@dataclass(frozen=True, slots=True)
class Rule:
    """One formula.

    Attributes
    ----------
    gives : str
        Name of a quantity.
    needs : tuple of str
        Names of those it is made of.
    by : callable
        Takes them in that order, in base units.
    formula : str
        For people.
    source : str
        Where it comes from.
    only_else : bool
        Used only where no other formula gives the quantity, and never held against another.
    """

    gives: str
    needs: tuple[str, ...]
    by: Callable[..., Number]
    formula: str
    source: str
    only_else: bool = False


@dataclass(frozen=True, slots=True)
class Fact:
    """A quantity that is known.

    Attributes
    ----------
    name : str
    value : Fraction or float
        Base units.
    rule : Rule or None
        The formula that gave it; None where it was given.
    inputs : mapping of str to Number
        What the formula was given.
    roots : frozenset of str
        Given quantities that it rests on.
    text : str
        As somebody wrote it, where somebody did.
    """

    name: str
    value: Number
    rule: Rule | None = None
    inputs: Mapping[str, Number] = field(default_factory=dict)
    roots: frozenset[str] = frozenset()
    text: str = ""


Facts = dict[str, Fact]


def solve(given: Iterable[Fact], rules: Iterable[Rule]) -> Facts:
    """All that follows from what is given, itself included.

    Raises
    ------
    SettingsError
        Two ways lead to different values; the text names what clashes.
    """
    facts = {fact.name: fact for fact in given}
    every = tuple(rules)
    firm = [rule for rule in every if not rule.only_else]
    while _carry_on(facts, firm) or _carry_on(facts, every):
        pass
    for rule in firm:
        _require_agreement(facts, rule)
    return facts


def _carry_on(facts: Facts, rules: Iterable[Rule]) -> bool:
    """Use the first formula that gives something new."""
    for rule in rules:
        if rule.gives not in facts and (fact := _applied(facts, rule)) is not None:
            facts[rule.gives] = fact
            return True
    return False


def _applied(facts: Facts, rule: Rule) -> Fact | None:
    if any(need not in facts for need in rule.needs):
        return None
    inputs = {need: facts[need].value for need in rule.needs}
    roots = frozenset[str]().union(*(facts[need].roots for need in rule.needs))
    return Fact(rule.gives, rule.by(*inputs.values()), rule, inputs, roots)


def _require_agreement(facts: Facts, rule: Rule) -> None:
    other, known = _applied(facts, rule), facts.get(rule.gives)
    if other is None or known is None or _agree(float(other.value), float(known.value)):
        return
    by_this, by_that = clash_text(facts, other.roots), clash_text(facts, known.roots)
    title = ALL[rule.gives].title
    raise SettingsError(
        f"{by_that} clash with {by_this}: {title} would be {shown(known.name, known.value)}, and"
        f" {shown(other.name, other.value)}; leave one of them out"
    )


def _agree(one: float, other: float) -> bool:
    return math.isclose(one, other, rel_tol=_AGREE, abs_tol=1e-15) or one == other


def clash_text(facts: Mapping[str, Fact], roots: Iterable[str]) -> str:
    """Options as they were given, in a fixed order: ``--memory 72GiB and --exposure 20us``."""
    texts = [said(facts[name].name, facts[name].text) for name in ALL if name in set(roots)]
    return texts[-1] if len(texts) == 1 else f"{', '.join(texts[:-1])} and {texts[-1]}"


def exact(value: Number) -> Fraction:
    """A number as a fraction."""
    return value if isinstance(value, Fraction) else Fraction(value)

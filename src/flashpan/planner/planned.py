"""A shot as it will be."""

from __future__ import annotations

from dataclasses import dataclass

from flashpan.planner.rules import Facts


@dataclass(frozen=True, slots=True)
class Plan:
    """A shot as it will be.

    Attributes
    ----------
    facts : dict of str to Fact
        Everything that is known by name, what was given first; values in SI base units.
    notes : tuple of str
        What falls short, whether mains flicker shows, and what the trade knows of the subject.
    cautions : tuple of str
        What may hurt.
    """

    facts: Facts
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    def __getitem__(self, name: str) -> float:
        """A quantity in its base unit: metres, seconds, bytes, frames per second, pixels.

        Raises
        ------
        KeyError
            It does not follow from what was given.
        """
        return float(self.facts[name].value)

    def __contains__(self, name: object) -> bool:
        return name in self.facts

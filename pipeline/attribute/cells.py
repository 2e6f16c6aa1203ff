"""Attempts of the same vehicle, EVSE and pairing, counted together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.states.model import Bools, Floats, Ints, tally


@dataclass(frozen=True)
class Cells:
    """Distinct vehicle, EVSE and pairing of the attempts: `of_attempt` (attempts,) tells the cell of each.

    `vehicle`, `evse`, `pairing`, `site` (cells,): the units of each cell.
    """

    of_attempt: Ints
    vehicle: Ints
    evse: Ints
    pairing: Ints
    site: Ints

    @classmethod
    def of(cls, *units: Ints) -> Cells:
        """Cells of attempts at these vehicles, EVSEs, pairings and sites (attempts,)."""
        vehicle, evse, pairing, _ = units
        # vehicle and EVSE first, so that no key outgrows an integer
        place = np.unique(_pairs(vehicle, evse), return_inverse=True)[1]
        _, one, cell = np.unique(_pairs(place, pairing), return_index=True, return_inverse=True)
        return cls(cell, *(unit[one] for unit in units))

    @property
    def columns(self) -> tuple[Ints, Ints, Ints]:
        """Vehicle, EVSE and pairing of each cell."""
        return self.vehicle, self.evse, self.pairing

    def any(self, keep: Bools) -> Bools:
        """Whether a cell holds an attempt of the mask (cells,)."""
        kept = np.zeros(len(self.vehicle), dtype=bool)
        kept[self.of_attempt[keep]] = True
        return kept

    def total(self, weights: Floats) -> Floats:
        """Sum of the attempts' weights by cell (cells,)."""
        return tally(self.of_attempt, weights, len(self.vehicle))


def _pairs(one: Ints, other: Ints) -> Ints:
    """A number for each pair of numbers, in order of both."""
    return np.asarray(one * (other.max(initial=0) + 1) + other)

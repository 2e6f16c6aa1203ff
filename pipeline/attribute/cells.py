"""Attempts of the same vehicle, EVSE and pairing, counted together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.states.model import Bools, Floats, Ints, tally

LONGEST_TABLE, KEYS_WORTH = 1_000_000, 8
"""Places of a table at most, and more for each key: sorting so many keys takes the memory of it, and ten times as long."""


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
        cell = numbered(_pairs(numbered(_pairs(vehicle, evse)), pairing))
        one = np.empty(int(cell.max(initial=-1)) + 1, dtype=np.int64)
        one[cell[::-1]] = np.arange(len(cell))[::-1]  # of several the first stands
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


def numbered(keys: Ints) -> Ints:
    """The place of each key, none of them negative, among the distinct ones in order: by a table where it is short enough, by
    sorting otherwise.
    """
    reach = int(keys.max(initial=-1)) + 1
    if reach > LONGEST_TABLE + KEYS_WORTH * len(keys):
        return np.unique(keys, return_inverse=True)[1]
    there = np.zeros(reach, dtype=bool)
    there[keys] = True
    short = np.int32 if reach <= np.iinfo(np.int32).max else np.int64
    return np.cumsum(there, dtype=short)[keys].astype(np.int64) - 1


def _pairs(one: Ints, other: Ints) -> Ints:
    """A number for each pair of numbers, in order of both."""
    return np.asarray(one * (other.max(initial=0) + 1) + other)

"""What is claimed of quality.

Each measure in words, what is asked of it, and how a row of sums says it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.core.wording import percent
from pipeline.measure.quality.measures import ratio

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Share:
    """A share, told by its two counts; `least` to `most` is asked of it."""

    measure: str
    part: str
    whole: str
    least: float = 0.0
    most: float = 1.0

    @property
    def asked(self) -> str:
        """The target in words."""
        if self.most == 1.0:
            return percent(self.least) if self.least else "–"
        return (
            f"{100 * self.least:.0f}-{percent(self.most)}"
            if self.least
            else f"at most {percent(self.most)}"
        )

    def said(self, row: Row) -> str:
        """The counts of a row."""
        return f"{row[self.part]:,} of {row[self.whole]:,}"

    def met(self, row: Row) -> bool:
        """Whether a row keeps it; where there is nothing to count it does."""
        return (
            not row[self.whole] or self.least <= ratio(row[self.part], row[self.whole]) <= self.most
        )


@dataclass(frozen=True)
class Figure:
    """A figure and the least or most that is asked of it, said with so many digits."""

    measure: str
    name: str
    least: float = float("-inf")
    most: float = float("inf")
    digits: int = 3

    @property
    def asked(self) -> str:
        """The target in words."""
        return next(
            (f"{bound:g}" for bound in (self.least, self.most) if abs(bound) < float("inf")), "–"
        )

    def said(self, row: Row) -> str:
        """The figure of a row; a dash where there was nothing to measure."""
        return "–" if row[self.name] is None else f"{row[self.name]:.{self.digits}f}"

    def met(self, row: Row) -> bool:
        """Whether a row keeps it; where there was nothing to measure it does."""
        return row[self.name] is None or bool(self.least <= row[self.name] <= self.most)


Claim = Share | Figure

SHARES = (
    Share("vehicles called that are faulty", "n_refer_right", "n_refer", 0.95),
    Share(
        "identifiable ones found in the week after their third failure",
        "n_found",
        "n_to_find",
        0.95,
    ),
    Share("EVSEs called that are faulty", "n_evse_right", "n_evse_called", 0.95),
    Share("faulty EVSEs found", "n_evse_found", "n_evse_to_find", 0.95),
)
ATTRIBUTION: tuple[Claim, ...] = (
    Figure("average precision for faulty vehicles, share of an oracle's", "ap_share", least=0.97),
    *SHARES[:2],
    Figure(
        "healthy vehicles called because of an EVSE or pairing",
        "n_wrongly_for_others",
        most=0,
        digits=0,
    ),
    *SHARES[2:],
    Figure("failed attempts blamed on the right cause, share", "blame_right", least=0.97),
    Figure(
        "expected calibration error of `p_vehicle`, all vehicles, mean over seeds",
        "ece_vehicle",
        most=0.05,
    ),
    Figure("the same, vehicles above 2 % only", "ece_counted_vehicle", most=0.05),
    Figure(
        "the same, vehicles above 2 % of all seeds together",
        "ece_counted_vehicle_pooled",
        most=0.05,
    ),
    Share("90 % intervals of the onset that hold it", "n_onset_inside", "n_onset", 0.85, 0.95),
)
CALLS: tuple[Claim, ...] = (
    Share("referrals of vehicles that are at fault", "referred_right", "referred", 0.95),
    Share(
        "vehicles that failed three times by their own fault, referred",
        "of_them_referred",
        "at_fault_and_failing",
    ),
    Share("suspect named right, of the right referrals", "suspect_right", "referred_right"),
    Share(
        "pilot diode or not told right, of the right referrals",
        "diode_or_not_right",
        "referred_right",
    ),
    Share("90 % intervals of the CP–PE reverse resistance that hold it", "paths_covered", "paths"),
)
WARNINGS: tuple[Claim, ...] = (
    Share(
        "leaking diodes watched before their first failed attempt",
        "watched_before",
        "leaks_that_failed",
        0.8,
    ),
    Share("healthy vehicles ever watched for one", "sound_ever_watched", "sound", most=0.02),
)
READING: tuple[Claim, ...] = (
    Share("attempts found", "n_found", "n_true"),
    Share("attempts found that are none", "n_invented", "n_read"),
    Share("outcome right", "n_outcome_right", "n_found"),
    Share("stage right", "n_stage_right", "n_found"),
    Share("vehicle right, where one is named", "n_vehicle_right", "n_named"),
)


def columns_of(summary: pl.DataFrame) -> dict[str, Row]:
    """Rows of `run.summary` by the heads of their columns, as 'standard, 600 × 120, 20 seeds'."""
    return {head(row): row for row in summary.to_dicts()}


def head(row: Row) -> str:
    """The head of a column: scenario, size and seeds."""
    return f"{row['scenario']}, {row['fleet']}, {row['seeds']} seeds"


def table(claims: Iterable[Claim], columns: Mapping[str, Row]) -> str:
    """Measures as a Markdown table, a column a row of sums; what misses its target is bold."""
    lines = [["measure", "target", *columns], ["---"] * (2 + len(columns))]
    for claim in claims:
        cells = [
            claim.said(row) if claim.met(row) else f"**{claim.said(row)}**"
            for row in columns.values()
        ]
        lines.append([claim.measure, claim.asked, *cells])
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)

"""What the workshop found, and what it teaches.

Priors, signature tables, how often referrals were right.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy.stats import beta

from pipeline.core.weeks import week_start
from pipeline.refer.suspects.signatures import declared
from pipeline.registry import conform

FOUND = {
    "diode_shorted": "pilot_diode_shorted",
    "diode_leaky": "pilot_diode_leaky",
    "diode_open": "pilot_open",
    "charger_other": "charger_input",
    "inlet_or_wiring": "inlet_lock",
}
"""Suspect that a finding confirms; `no_fault_found` confirms none."""
SHARED = {
    "charger_input": ("charger_input", "charger_leakage", "never_requests"),
    "inlet_lock": ("inlet_lock", "pilot_leakage", "pilot_resistor", "carried_cable"),
}
"""What a finding that names no single part may be: the word for 'another fault of the charger', and that for inlet or wiring."""


def part_shares() -> pl.DataFrame:
    """`found, suspect, share`: what a confirmed case is shared out to, in proportion to the declared prior."""
    prior = declared("vehicle")["vehicle_prior"]
    rows = []
    for found in FOUND.values():
        parts = SHARED.get(found, (found,))
        weights = [float(prior.table[0, prior.categories.index(part)]) for part in parts]
        rows += [(found, part, w / sum(weights)) for part, w in zip(parts, weights, strict=True)]
    return pl.DataFrame(rows, schema=["found", "suspect", "share"], orient="row")


def latest_findings(findings: pl.DataFrame) -> pl.DataFrame:
    """The last finding of each vehicle.

    `vehicle_id, found_at_utc, finding, repaired_at_utc, found` (null: nothing found).
    """
    return (
        findings.sort("at_utc", "repaired_at_utc", nulls_last=False)
        .group_by("vehicle_id", maintain_order=True)
        .last()
        .select(
            "vehicle_id",
            pl.col("at_utc").alias("found_at_utc"),
            "finding",
            "repaired_at_utc",
            pl.col("finding")
            .replace_strict(FOUND, default=None, return_dtype=pl.String)
            .alias("found"),
        )
    )


def confirmed(findings: pl.DataFrame) -> pl.DataFrame:
    """Findings that confirm a suspect, once per vehicle and time: `vehicle_id, at_utc, suspect`."""
    return (
        findings.filter(pl.col("finding").is_in(list(FOUND)))
        .unique(["vehicle_id", "at_utc", "finding"], maintain_order=True)
        .select(
            "vehicle_id",
            "at_utc",
            pl.col("finding").replace_strict(FOUND, return_dtype=pl.String).alias("suspect"),
        )
    )


def prior_lessons(cases: pl.DataFrame) -> pl.DataFrame:
    """Confirmed cases (as `confirmed` gives them) as lessons on `vehicle_prior`, shared out where a finding names no single part.

    Suspect, signature, category, amount.
    """
    return cases.rename({"suspect": "found"}).join(
        part_shares(), on="found", maintain_order="left_right"
    ).select(
        pl.lit("vehicle").alias("suspect"),
        pl.lit("vehicle_prior").alias("signature"),
        pl.col("suspect").alias("category"),
        pl.col("share").alias("amount"),
    )  # fmt: skip


def before_after(lessons: pl.DataFrame, findings: pl.DataFrame) -> pl.DataFrame:
    """What findings have moved: `signature, suspect, category, cases, before, after`, rows that
    moved only.

    `lessons`: decision_lesson; `findings`: as `join_findings`. `cases` is the amount of evidence
    added to the row.
    """
    columns = ("suspect", "signature", "category", "amount")
    taught = pl.concat([lessons.select(columns), prior_lessons(confirmed(findings))])
    rows = []
    for name, signature in declared("vehicle").items():
        after = signature.learnt(taught)
        mine = (
            taught.filter(pl.col("signature") == name)
            .group_by("suspect")
            .agg(pl.col("amount").sum())
        )
        cases = dict(mine.iter_rows())
        rows += [
            (
                name,
                suspect,
                category,
                cases.get(suspect, 0.0),
                signature.table[i, j],
                after.table[i, j],
            )
            for i, suspect in enumerate(signature.suspects)
            for j, category in enumerate(signature.categories)
        ]
    frame = pl.DataFrame(
        rows, schema=["signature", "suspect", "category", "cases", "before", "after"], orient="row"
    )
    return frame.filter(pl.col("cases") > 0)


def precision(referrals: pl.DataFrame, findings: pl.DataFrame) -> pl.DataFrame:
    """How often referrals were right, by quarter of the first week a vehicle was listed.

    `referrals`: decision_referral; weeks of one vehicle without a finding between them are one
    referral. Columns `quarter, referrals, right, wrong, open, precision, precision_lo,
    precision_hi`: Jeffreys' Beta(right + 1/2, wrong + 1/2), its mean and 90 % interval; `open`
    ones, of which nothing was found out yet, do not count.
    """
    weeks = referrals.select("week").unique().to_series().to_list()
    starts = pl.DataFrame(
        {"week": weeks, "listed_utc": [week_start(w) for w in weeks]}, schema=_STARTS
    )
    told = findings.filter(pl.col("finding").is_not_null()).select(
        "vehicle_id", pl.col("at_utc").alias("found_at_utc"), "finding"
    )
    listed = (
        referrals.join(starts, on="week")
        .sort("listed_utc")
        .join_asof(told.sort("found_at_utc"), left_on="listed_utc", right_on="found_at_utc", by="vehicle_id", strategy="forward",
                   check_sortedness=False)
    )  # fmt: skip
    cases = listed.group_by("vehicle_id", "found_at_utc").agg(
        pl.col("listed_utc").min(), pl.col("finding").first()
    )
    quarter = pl.format("{}-Q{}", pl.col("listed_utc").dt.year(), pl.col("listed_utc").dt.quarter())
    wrong = pl.col("finding") == "no_fault_found"
    table = (
        cases.group_by(quarter.alias("quarter"))
        .agg(
            pl.len().cast(pl.Int64).alias("referrals"),
            (~wrong).fill_null(value=False).sum().cast(pl.Int64).alias("right"),
            wrong.fill_null(value=False).sum().cast(pl.Int64).alias("wrong"),
            pl.col("finding").is_null().sum().cast(pl.Int64).alias("open"),
        )
        .sort("quarter")
    )
    a, b = table["right"].to_numpy() + 0.5, table["wrong"].to_numpy() + 0.5
    return table.with_columns(
        pl.Series("precision", a / (a + b)),
        pl.Series("precision_lo", np.asarray(beta.ppf(0.05, a, b))),
        pl.Series("precision_hi", np.asarray(beta.ppf(0.95, a, b))),
    )


_STARTS = pl.Schema({"week": pl.String(), "listed_utc": pl.Datetime("us", "UTC")})


def listed(week: str, vehicles: pl.DataFrame) -> pl.DataFrame:
    """The week's list of referrals as the decisions store keeps it (decision_referral), from
    out_vehicles.
    """
    rows = vehicles.filter(pl.col("call") == "refer").with_columns(
        pl.lit(week).alias("week"), pl.col("suspect").fill_null("unclear")
    )
    return conform(rows, "decision_referral")

"""Figures counted from scored units of any number of worlds: what is printed, and what is written as JSON."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.measure.quality.from_logs.scores import Scored
from pipeline.measure.quality.from_logs.timing import ORACLE_CUT, timing_figures
from pipeline.measure.quality.measures import average_precision, calibration_error, ratio

CALIBRATED_FROM = 0.02
CREEPING = ("pilot_diode_leaky", "pilot_leakage")
"""Their onset is when the effect left the usual band, which is no instant of the truth."""


def figures(scored: Scored) -> dict[str, Any]:
    """All figures, by group."""
    return {
        "vehicles": _vehicles(scored.vehicles),
        "vehicles_by_kind": _by_kind(scored.vehicles, "refer"),
        "evses": _evses(scored.evses),
        "evses_by_kind": _by_kind(scored.evses.with_columns(kind=_strength()), "faulty"),
        "pairings": _pairings(scored.pairings),
        "attempts": _attempts(scored.attempts),
        **({"time to referral": timing_figures(scored.times)} if scored.times.height else {}),
    }


def _strength() -> pl.Expr:
    return pl.concat_str("kind", pl.when("strong").then(pl.lit("")).otherwise(pl.lit(" (weak)")))


def _count(frame: pl.DataFrame, when: pl.Expr) -> int:
    return frame.filter(when).height


def _vehicles(v: pl.DataFrame) -> dict[str, float]:
    referred, there, identifiable = (
        pl.col("said_call") == "refer",
        pl.col("there"),
        pl.col("identifiable"),
    )
    right, wanted = _count(v, referred & there), _count(v, identifiable)
    found, oracle = (
        _count(v, referred & identifiable),
        _count(v, (pl.col("p_oracle") >= ORACLE_CUT) & identifiable),
    )
    ranked = v.filter(identifiable | ~there & ~pl.col("over"))
    truth = ranked["identifiable"].to_numpy()
    told = v.filter((pl.col("said_p_vehicle") > CALIBRATED_FROM) & ~pl.col("over"))
    dated = v.filter(
        referred & there & pl.col("said_onset_lo").is_not_null() & ~pl.col("kind").is_in(CREEPING)
    )
    # What was there before the first log cannot be dated further back than that.
    begun = pl.max_horizontal("since", "logs_from")
    covered = begun.is_between("said_onset_lo", "said_onset_hi")
    return {
        "referred": _count(v, referred),
        "referred_at_fault": right,
        "precision": ratio(right, _count(v, referred)),
        "identifiable": wanted,
        "identifiable_referred": found,
        "recall": ratio(found, wanted),
        "oracle_recall": ratio(oracle, wanted),
        "oracle_wrong": _count(v, (pl.col("p_oracle") >= ORACLE_CUT) & ~there & ~pl.col("over")),
        "average_precision": average_precision(ranked["said_p_vehicle"].to_numpy(), truth),
        "oracle_average_precision": average_precision(ranked["p_oracle"].to_numpy(), truth),
        "sound_for_bad_evse": _count(v, referred & ~there & (pl.col("evse_share") > 0.5)),
        "sound_for_bad_pairing": _count(v, referred & ~there & (pl.col("pairing_share") > 0.5)),
        "part_right": ratio(
            _count(v, referred & there & (pl.col("said_suspect") == pl.col("kind"))), right
        ),
        "calibration_error": calibration_error(
            told["said_p_vehicle"].to_numpy(), told["there"].to_numpy()
        ),
        "calibrated_units": told.height,
        "onset_held": ratio(_count(dated, covered), dated.height),
        "onsets": dated.height,
    }


def _by_kind(units: pl.DataFrame, call: str) -> list[dict[str, Any]]:
    said = pl.col("said_call") == call
    rows = (
        units.filter("there")
        .group_by("kind")
        .agg(
            pl.len().alias("at_fault"),
            pl.col("identifiable").sum(),
            (pl.col("identifiable") & said).sum().alias("called"),
            said.sum().alias("called_of_all"),
            (
                said
                & (
                    pl.col("said_suspect")
                    == pl.col("kind").str.replace(" (weak)", "", literal=True)
                )
            )
            .sum()
            .alias("part_right"),
            *(
                [
                    ((pl.col("p_oracle") >= ORACLE_CUT) & pl.col("identifiable"))
                    .sum()
                    .alias("oracle")
                ]
                if "p_oracle" in units.columns
                else []
            ),
        )
    )
    return rows.sort("kind").to_dicts()


def _evses(e: pl.DataFrame) -> dict[str, float]:
    called, there = pl.col("said_call") == "faulty", pl.col("there")
    strong, weak = (
        pl.col("identifiable") & pl.col("strong"),
        pl.col("identifiable") & ~pl.col("strong"),
    )
    right = _count(e, called & there)
    named = called & there & (pl.col("said_suspect") != "unclear")
    sound = e.filter(~there & ~pl.col("over"))
    return {
        "called": _count(e, called),
        "called_at_fault": right,
        "precision": ratio(right, _count(e, called)),
        "strong": _count(e, strong),
        "strong_called": _count(e, strong & called),
        "strong_recall": ratio(_count(e, strong & called), _count(e, strong)),
        "weak": _count(e, weak),
        "weak_called": _count(e, weak & called),
        "weak_recall": ratio(_count(e, weak & called), _count(e, weak)),
        "false_per_1000_evse_weeks": 1000 * ratio(_count(sound, called), sound.height),
        "part_named": _count(e, named),
        "part_right": ratio(
            _count(e, named & (pl.col("said_suspect") == pl.col("kind"))), _count(e, named)
        ),
    }


def _pairings(p: pl.DataFrame) -> dict[str, float]:
    called, bad = pl.col("said_call") == "faulty", pl.col("own_failures") > 0
    strong, weak = pl.col("identifiable") & ~pl.col("weak"), pl.col("identifiable") & pl.col("weak")
    return {
        "called": _count(p, called),
        "precision": ratio(_count(p, called & bad), _count(p, called)),
        "strong": _count(p, strong),
        "strong_called": _count(p, strong & called),
        "weak": _count(p, weak),
        "weak_called": _count(p, weak & called),
    }


def _attempts(a: pl.DataFrame) -> dict[str, Any]:
    """Outcomes read right; a truth of `unknown` does not count.

    A silent failure may be `failed` or `not_requested`; where no EVSE saw the vehicle and it tells nothing
    itself, the card alone reads as `abandoned`.
    """
    found = a.filter(pl.col("said_outcome").is_not_null() & (pl.col("outcome") != "unknown"))
    said = pl.col("said_outcome")
    by_card_only = ((pl.col("trouble") == "unseen") & ~pl.col("telematics")).fill_null(value=False)
    same = (
        pl.when("silent")
        .then(said.is_in(["failed", "not_requested"]))
        .when(by_card_only)
        .then(said.is_in(["failed", "abandoned"]))
        .otherwise(said == pl.col("outcome"))
    )
    failed = found.filter((pl.col("outcome") == "failed") & pl.col("said_p_vehicle").is_not_null())
    sides = pl.concat_list(
        "said_p_vehicle", "said_p_evse", "said_p_pairing", "said_p_other"
    ).list.arg_max()
    side = sides.replace_strict(
        {0: "vehicle", 1: "evse", 2: "pairing", 3: "other"}, default=None, return_dtype=pl.String
    )
    cause = pl.col("cause").replace({"chance": "other", "site": "other"})
    confusion = (
        found.filter(~same)
        .group_by("outcome", "said_outcome")
        .len()
        .sort("len", descending=True)
        .head(12)
    )
    return {
        "told": a.height,
        "found": ratio(_count(a, pl.col("said_outcome").is_not_null()), a.height),
        "vehicle_right": ratio(
            _count(found, pl.col("said_vehicle") == pl.col("vehicle_id")), found.height
        ),
        "outcome_right": ratio(_count(found, same), found.height),
        "blame_right": ratio(_count(failed, side == cause), failed.height),
        "blamed": failed.height,
        "taken_for": [
            f"{row['outcome']} taken for {row['said_outcome']}: {row['len']}"
            for row in confusion.to_dicts()
        ],
    }

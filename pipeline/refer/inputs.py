"""What the refer stage takes.

The week's attempts with their blame, who attribution suspects, and what people reported.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
import polars as pl

from pipeline.attribute.attribution import Attribution
from pipeline.core.weeks import LookBack
from pipeline.refer.equipment_wording import GROUNDS
from pipeline.registry import empty

CHECKS = pl.Schema({"evse_model": pl.String(), "firmware": pl.String(), "p_checks": pl.Float64()})


FINDING_COLUMNS = (
    "vehicle_id",
    "at_utc",
    "finding",
    "pp_pe_v",
    "cp_pe_forward_ohm",
    "cp_pe_reverse_ohm",
    "repaired_at_utc",
    "note",
)


def join_findings(from_files: pl.DataFrame, entered: pl.DataFrame) -> pl.DataFrame:
    """Findings of both ways in (raw_finding, decision_finding), once each.

    FINDING_COLUMNS in order of time.
    """
    both = pl.concat([from_files.select(FINDING_COLUMNS), entered.select(FINDING_COLUMNS)])
    return both.unique(maintain_order=True).sort("at_utc", "vehicle_id", maintain_order=True)


def told_repairs(findings: pl.DataFrame, until_utc: datetime) -> pl.DataFrame:
    """`vehicle_id, repaired_at_utc` of the repairs that were over, and told, by then."""
    return findings.filter(
        pl.col("repaired_at_utc") < until_utc, pl.col("at_utc") < until_utc
    ).select("vehicle_id", "repaired_at_utc")


def stored_code() -> pl.Expr:
    """True for a line of a read-out (raw_dtc) with a trouble code in store.

    One told without a status counts as confirmed.
    """
    return pl.col("dtc").is_not_null() & (pl.col("dtc_status").fill_null("confirmed") != "cleared")


@dataclass(frozen=True)
class Attributed:
    """Attribution's answer, one row a unit.

    `vehicles`: vehicle_id, p_vehicle, p_mute (0 where absent), p_height (p_vehicle where absent),
    onset_utc, onset_lo_utc, onset_hi_utc, separable,
    ac_attempts, ac_failures, evses_failed_at, early_b_failures, dc_attempts, dc_charged, verdict,
    reason. `evses`: evse_id, p_evse, p_height, onset_utc, onset_lo_utc, verdict, provable (it may be 'fault'),
    fault_from (the p_evse that takes), reason, ground_fault, ground_doubt, ground_clear (the sentence of each verdict);
    `with_told_evses` makes what is absent. `pairings`:
    vehicle_model, evse_model, firmware, p_pairing, verdict, reason. `checks`: learnt probability
    that an EVSE model and firmware checks the pilot diode. `blame`: attempt_id, p_vehicle, p_evse,
    p_pairing, p_other.
    """

    vehicles: pl.DataFrame
    evses: pl.DataFrame
    pairings: pl.DataFrame
    blame: pl.DataFrame
    checks: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=CHECKS))

    @classmethod
    def of(cls, attribution: Attribution) -> Attributed:
        """The same from the attribute stage's answer.

        Of an EVSE's couplers (or a pairing's supplies) the worst one stands.
        """
        checks = [
            s.evidence.models.select("evse_model", "firmware").with_columns(
                p_checks=pl.Series(np.asarray(s.checks))
            )
            for s in attribution.solutions.values()
        ]
        return cls(
            attribution.vehicles.filter(pl.col("vehicle_id").is_not_null()),
            attribution.evses.sort("p_evse", descending=True).unique(
                "evse_id", keep="first", maintain_order=True
            ),
            attribution.pairings.sort("p_pairing", descending=True).unique(
                ["vehicle_model", "evse_model", "firmware"], keep="first", maintain_order=True
            ),
            attribution.blame,
            pl.concat(checks)
            .filter(pl.col("p_checks").is_not_nan())
            .group_by("evse_model", "firmware")
            .agg(pl.col("p_checks").mean())
            if checks
            else pl.DataFrame(schema=CHECKS),
        )


def with_silence(blame: pl.DataFrame) -> pl.DataFrame:
    """Blame with `silent`; where attribution tells none, no attempt is silent."""
    return blame if "silent" in blame.columns else blame.with_columns(silent=pl.lit(value=False))


def with_told(vehicles: pl.DataFrame) -> pl.DataFrame:
    """Attribution's vehicles with `p_mute` and `p_height`: where it tells none, no fault is known to keep silent only, nor to have
    been likelier than now.
    """
    return _with_missing(vehicles, p_mute=pl.lit(0.0), p_height=pl.col("p_vehicle"))


def with_told_evses(evses: pl.DataFrame) -> pl.DataFrame:
    """Attribution's EVSEs with `p_height`, `provable`, `fault_from` and the grounds: where it tells none, its verdict and reason stand."""
    return _with_missing(
        evses,
        p_height=pl.col("p_evse"),
        provable=pl.col("verdict") == "fault",
        fault_from=pl.lit(0.0),
        **{name: pl.col("reason") for name in GROUNDS},
    )


def _with_missing(frame: pl.DataFrame, **columns: pl.Expr) -> pl.DataFrame:
    """The frame with those of the columns it lacks."""
    return frame.with_columns(**{k: v for k, v in columns.items() if k not in frame.columns})


@dataclass(frozen=True)
class ReferInputs:
    """Frames of the refer stage.

    `attempts`: core_attempt, blame not joined. `fleet`: core_vehicle. `equipment`: core_evse.
    `dtcs`: raw_dtc. `charging`: raw_charging. `findings`: as `join_findings` makes it. `reviews`: decision_review, `lessons`:
    decision_lesson, `referrals`: decision_referral (past lists), all from the decisions store.
    """

    attempts: pl.DataFrame
    attributed: Attributed
    fleet: pl.DataFrame
    equipment: pl.DataFrame
    dtcs: pl.DataFrame = field(default_factory=lambda: empty("raw_dtc"))
    findings: pl.DataFrame = field(
        default_factory=lambda: join_findings(empty("raw_finding"), empty("decision_finding"))
    )
    reviews: pl.DataFrame = field(default_factory=lambda: empty("decision_review"))
    charging: pl.DataFrame = field(default_factory=lambda: empty("raw_charging"))
    lessons: pl.DataFrame = field(default_factory=lambda: empty("decision_lesson"))
    referrals: pl.DataFrame = field(default_factory=lambda: empty("decision_referral"))


_NO_CALL_RESTS_ON = (
    "station_id", "connector_id", "vehicle_known_by", "clock_error_s", "fault_raw", "stop_reason", "energy_kwh", "offered_a",
    "pilot_low_samples", "transaction_id", "asked_at_utc", "let_go_s", "vehicle_software",
)  # fmt: skip
"""Columns of attempts that every selection of them would carry along."""


def judged_attempts(
    inputs: ReferInputs, look_back: LookBack, checks_known_at: float
) -> pl.DataFrame:
    """Attempts of the look-back with blame, `silent` (the vehicle never asked, and nothing seen
    explains it) and `check`: whether the EVSE checks the pilot diode, given or learnt.
    """
    learnt = (
        pl.when(pl.col("p_checks") >= checks_known_at)
        .then(pl.lit("yes"))
        .when(pl.col("p_checks") <= 1 - checks_known_at)
        .then(pl.lit("no"))
        .otherwise(pl.lit("unknown"))
    )
    return (
        inputs.attempts.drop(_NO_CALL_RESTS_ON, strict=False)
        .filter(look_back.holds("plugged_at_utc"))
        .join(with_silence(inputs.attributed.blame), on="attempt_id", how="left")
        .with_columns(pl.col("silent").fill_null(value=False))
        .with_columns(pl.col("firmware").fill_null("").alias("_firmware"))
        .join(
            inputs.attributed.checks.rename({"firmware": "_firmware"}),
            on=["evse_model", "_firmware"],
            how="left",
        )
        .with_columns(
            pl.when(pl.col("diode_check") == "unknown")
            .then(learnt)
            .otherwise("diode_check")
            .alias("check")
        )
        .drop("_firmware", "p_checks")
        .sort("plugged_at_utc", "attempt_id")
    )

"""Has a repair held? Wald's sequential probability ratio test on the AC attempts after it, at
healthy EVSEs that check the diode.

A. Wald, Sequential Analysis (1947), from memory: stop when the log likelihood ratio leaves (ln(beta
/ (1 - alpha)), ln((1 - beta) / alpha)); the true error rates then stay near or under the stated
ones.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import polars as pl

from pipeline.settings.refer import ReferSettings


@dataclass(frozen=True)
class SequentialTest:
    """A sequential test of one failure probability (sound) against another (not repaired), attempt
    by attempt.
    """

    sound: float
    faulty: float
    alpha: float
    beta: float

    @classmethod
    def of(cls, settings: ReferSettings) -> SequentialTest:
        """The test the settings state."""
        return cls(
            settings.proving_sound_fails,
            settings.proving_faulty_fails,
            settings.proving_alpha,
            settings.proving_beta,
        )

    @property
    def failed_step(self) -> float:
        """What a failed attempt adds to the log likelihood ratio of 'not repaired'."""
        return math.log(self.faulty / self.sound)

    @property
    def charged_step(self) -> float:
        """What an attempt that charged adds to it."""
        return math.log((1 - self.faulty) / (1 - self.sound))

    @property
    def proved_at(self) -> float:
        """Lower bound: at or below it the repair is proved."""
        return math.log(self.beta / (1 - self.alpha))

    @property
    def back_at(self) -> float:
        """Upper bound: at or above it the vehicle goes back."""
        return math.log((1 - self.beta) / self.alpha)

    @property
    def clean_attempts(self) -> int:
        """Attempts in a row without a failure that prove a repair."""
        return math.ceil(self.proved_at / self.charged_step)


def elsewhere() -> pl.Expr:
    """True for a failure that attribution puts down to the EVSE or the pairing: it says nothing of the repair."""
    others = pl.col("p_evse").fill_null(0.0) + pl.col("p_pairing").fill_null(0.0)
    return (pl.col("outcome") == "failed") & (others > 0.5)


def proving_table(
    attempts: pl.DataFrame, repairs: pl.DataFrame, healthy: pl.Series, test: SequentialTest
) -> pl.DataFrame:
    """How far each repaired vehicle is: `vehicle_id, repaired_at_utc, proving, tried, failed,
    decided_at_utc`.

    `proving` is proving, proved or back; `tried` and `failed` count the attempts the test used.
    `attempts` as `judged_attempts` gives them; `repairs`: vehicle_id, repaired_at_utc, found;
    `healthy`: ids of healthy EVSEs. After a diode repair only EVSEs that check the diode count;
    after another, all healthy ones.
    """
    walked = _walked(attempts, repairs, healthy, test)
    out = (pl.col("walk") <= test.proved_at) | (pl.col("walk") >= test.back_at)
    # attempts after the decision are no part of the test
    decided = walked.with_columns(
        out.cast(pl.Int8).cum_sum().over("vehicle_id").alias("past")
    ).filter((pl.col("past") == 0) | ((pl.col("past") == 1) & out))
    last = decided.group_by("vehicle_id").agg(
        pl.col("walk").last(),
        pl.len().cast(pl.Int64).alias("tried"),
        (pl.col("outcome") == "failed").sum().cast(pl.Int64).alias("failed"),
        pl.col("plugged_at_utc").last().alias("decided_at_utc"),
    )
    state = (
        pl.when(pl.col("walk") <= test.proved_at)
        .then(pl.lit("proved"))
        .when(pl.col("walk") >= test.back_at)
        .then(pl.lit("back"))
        .otherwise(pl.lit("proving"))
    )
    return repairs.join(last, on="vehicle_id", how="left").select(
        "vehicle_id",
        "repaired_at_utc",
        state.alias("proving"),
        pl.col("tried").fill_null(0),
        pl.col("failed").fill_null(0),
        pl.when(state != "proving").then("decided_at_utc").alias("decided_at_utc"),
    )


def _walked(
    attempts: pl.DataFrame, repairs: pl.DataFrame, healthy: pl.Series, test: SequentialTest
) -> pl.DataFrame:
    """Attempts since the repair that tell whether it holds, in order of time, each with where the test's `walk` stands after it."""
    diode = pl.col("found").str.starts_with("pilot_diode").fill_null(value=True)
    step = (
        pl.when(pl.col("outcome") == "failed").then(test.failed_step).otherwise(test.charged_step)
    )
    return (
        attempts.filter(
            pl.col("supply") == "AC",
            pl.col("outcome").is_in(["charged", "failed"]),
            pl.col("weight") > 0,
            pl.col("evse_id").is_in(healthy.implode()),
            ~elsewhere(),
        )
        .join(repairs, on="vehicle_id")
        .filter(
            pl.col("plugged_at_utc") >= pl.col("repaired_at_utc"),
            ~diode | (pl.col("check") == "yes"),
        )
        .sort("vehicle_id", "plugged_at_utc", "attempt_id")
        .with_columns(step.cum_sum().over("vehicle_id").alias("walk"))
    )

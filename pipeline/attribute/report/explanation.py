"""An answer's grounds, as they are told."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

SHOWN = 12


@dataclass(frozen=True)
class Told:
    """What the week's list says of a unit: call, final probability, reason."""

    call: str
    p: float
    reason: str


@dataclass(frozen=True)
class Explanation:
    """An answer's grounds.

    - `headline`: what was judged, with probability and verdict.
    - `attempts`: one row per attempt that counts, strongest first: `attempt_id plugged_at_utc
      partner outcome weight bits
      p_own`; `bits` is log2 of
      how much likelier that outcome is if the unit is at fault than if it is not, all others as
      judged.
    - `company`: one row per partner it failed with: `partner week_start_utc own_attempts
      own_failures others others_attempts
      others_failures p_partner`.
    - `change`: sentences on what would change the answer.
    """

    headline: str
    attempts: pl.DataFrame
    company: pl.DataFrame
    change: tuple[str, ...]

    def text(self) -> str:
        """Plain text for a terminal."""
        parts = [self.headline]
        with pl.Config(
            tbl_hide_column_data_types=True,
            tbl_hide_dataframe_shape=True,
            tbl_rows=SHOWN,
            tbl_cols=12,
            tbl_width_chars=140,
            float_precision=2,
        ):
            if self.attempts.height:
                parts += [
                    "",
                    "Attempts that count most (bits: for a fault if above 0, against it if below):",
                    str(_to_read(self.attempts.head(SHOWN))),
                ]
            if self.company.height:
                parts += [
                    "",
                    "Who else was there, and how they fared in the same weeks:",
                    str(self.company.head(SHOWN)),
                ]
        return "\n".join([*parts, "", *(f"- {sentence}" for sentence in self.change)])


def _to_read(attempts: pl.DataFrame) -> pl.DataFrame:
    """Whole seconds; a blank where nothing is to be blamed, as an attempt that charged."""
    own = pl.col("p_own")
    return attempts.with_columns(
        pl.col("plugged_at_utc").dt.round("1s"),
        p_own=pl.when(own.is_nan()).then(pl.lit("")).otherwise(pl.format("{}", own.round(2))),
    )

"""Why a vehicle, an EVSE or an attempt was judged so.

The attempts that count, their company, and what would change the answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import polars as pl

from pipeline.attribute.attribution import Attribution
from pipeline.attribute.report.frames import unit_frame
from pipeline.attribute.report.what_if import WhatIf, bits, what_if
from pipeline.attribute.report.wording import RIVAL
from pipeline.attribute.states.kinds import EVSE, VEHICLE
from pipeline.attribute.states.solve import Solution
from pipeline.core.errors import NotEnoughDataError
from pipeline.settings.attribute import AttributeSettings

WINDOW_DAYS = 21
"""Days shown before the end of the report week, or since the onset if that is longer ago."""
SHOWN = 12
NAMES = {VEHICLE: "vehicle_id", EVSE: "evse_id"}
WORDS = {VEHICLE: "vehicle", EVSE: "EVSE"}


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


def why(
    answer: Attribution, settings: AttributeSettings, subject: str, told: Told | None = None
) -> Explanation:
    """Explain a vehicle, EVSE, or attempt that failed or was silent, by its id (looked for in this
    order); `told` is what the week's list says of the unit, where it was published.

    Raises NotEnoughDataError where the look-back holds no such id.
    """
    for kind in (VEHICLE, EVSE):
        found = [
            (solution, int(position))
            for solution in answer.solutions.values()
            for position in solution.evidence.names[kind][NAMES[kind]].eq(subject).arg_true()
        ]
        if found:
            p = [s.units[kind].lately(settings.report_days)[position] for s, position in found]
            solution, position = found[int(np.argmax(p))]
            return _unit(answer, solution, settings, kind, position, told)
    shares = answer.blame.filter(pl.col("attempt_id") == subject)
    if shares.height:
        return _attempt(answer, subject, shares.row(0, named=True))
    raise NotEnoughDataError(
        f"{subject!r} is no vehicle, EVSE or failed or silent attempt of the look-back to {answer.week}",
        next_step="name one that has an attempt in these weeks; a charged attempt has nobody to blame",
    )


def _to_read(attempts: pl.DataFrame) -> pl.DataFrame:
    """Whole seconds; a blank where nothing is to be blamed, as an attempt that charged."""
    own = pl.col("p_own")
    return attempts.with_columns(
        pl.col("plugged_at_utc").dt.round("1s"),
        p_own=pl.when(own.is_nan()).then(pl.lit("")).otherwise(pl.format("{}", own.round(2))),
    )


def attempt_rows(solution: Solution, kind: int) -> pl.DataFrame:
    """All attempts of the supply with names, blame and `bits` for the given kind (one row per
    attempt).
    """
    evidence = solution.evidence
    vehicles = pl.concat([evidence.vehicles["vehicle_id"], pl.Series([None], dtype=pl.String)])
    blame = np.full(len(evidence.failed), np.nan)
    blame[solution.rows] = solution.judged.blame[kind]
    begin = pl.lit(evidence.begin_utc).cast(pl.Datetime("us", "UTC"))
    frame = pl.DataFrame(
        {
            "attempt_id": evidence.attempt_id,
            "vehicle_id": vehicles.gather(evidence.vehicle),
            "evse_id": evidence.evses["evse_id"].gather(evidence.evse),
            "at_days": evidence.at_days,
            "failed": evidence.event,
            "silent": evidence.silent,
            "weight": evidence.weight,
            "p_own": blame,
            "bits": bits(solution, kind),
        }
    )
    return frame.with_columns(
        (begin + pl.duration(microseconds=(pl.col("at_days") * 86_400e6).cast(pl.Int64))).alias(
            "plugged_at_utc"
        ),
        (begin + pl.duration(days=7 * (pl.col("at_days") // 7).cast(pl.Int64))).alias(
            "week_start_utc"
        ),
        pl.when("silent")
        .then(pl.lit("silent"))
        .when("failed")
        .then(pl.lit("failed"))
        .otherwise(pl.lit("charged"))
        .alias("outcome"),
    )


def _unit(
    answer: Attribution,
    solution: Solution,
    settings: AttributeSettings,
    kind: int,
    position: int,
    told: Told | None,
) -> Explanation:
    evidence, other = solution.evidence, EVSE if kind == VEHICLE else VEHICLE
    name = evidence.names[kind][NAMES[kind]][position]
    supply = next(key for key, value in answer.solutions.items() if value is solution)
    row = (
        unit_frame(solution, kind, settings)
        .filter(
            (pl.col(NAMES[kind]) == name)
            & (pl.col("coupler") == evidence.evses["coupler"][position] if kind == EVSE else True)
        )
        .row(0, named=True)
    )
    final = told or Told(f"verdict '{row['verdict']}'", row["p"], row["reason"])
    end = evidence.begin_utc + timedelta(days=evidence.days)
    since = min(row["onset_lo_utc"] or end, end - timedelta(days=WINDOW_DAYS))
    rows = attempt_rows(solution, kind).filter(pl.col("plugged_at_utc") >= since)
    own = rows.filter(pl.col(NAMES[kind]) == name)
    chosen = own.sort(pl.col("bits").abs(), descending=True).select(
        "attempt_id",
        "plugged_at_utc",
        pl.col(NAMES[other]).alias("partner"),
        "outcome",
        "weight",
        "bits",
        "p_own",
    )
    week = (
        f"{WORDS[kind]} {name}, week {answer.week}, {supply}: at fault with probability "
        f"{final.p:.3f}, {final.call}."
    )
    moved = what_if(solution, settings, kind, position, final.p)
    return Explanation(
        headline=f"{week}\n{final.reason}",
        attempts=chosen,
        company=_company(rows, own, solution, kind),
        change=_change(own, moved, row, settings, kind),
    )


def _company(rows: pl.DataFrame, own: pl.DataFrame, solution: Solution, kind: int) -> pl.DataFrame:
    """How others fared, in the same weeks, with the partners the unit failed with."""
    other = EVSE if kind == VEHICLE else VEHICLE
    me, partner = NAMES[kind], NAMES[other]
    mine = own.group_by(partner, "week_start_utc").agg(
        own_attempts=pl.len(), own_failures=pl.col("failed").sum()
    )
    mine = mine.filter(pl.col("own_failures") > 0)
    theirs = rows.join(own.select("attempt_id"), on="attempt_id", how="anti").join(
        mine, on=[partner, "week_start_utc"], how="semi"
    )
    fared = theirs.group_by(partner, "week_start_utc").agg(
        others=pl.col(me).n_unique(),
        others_attempts=pl.len(),
        others_failures=pl.col("failed").sum(),
    )
    names = (solution.evidence.vehicles, solution.evidence.evses)[other][partner]
    now = solution.units[other].probability[: len(names), -1]
    state = pl.DataFrame({partner: names, "p_partner": now}).unique(partner, keep="first")
    joined = mine.join(fared, on=[partner, "week_start_utc"], how="left").join(
        state, on=partner, how="left"
    )
    counts = pl.col("others", "others_attempts", "others_failures").fill_null(0)
    return (
        joined.with_columns(counts)
        .rename({partner: "partner"})
        .sort("own_failures", "week_start_utc", descending=[True, True])
    )


def _change(
    own: pl.DataFrame, if_: WhatIf, row: dict[str, object], settings: AttributeSettings, kind: int
) -> tuple[str, ...]:
    partner = WORDS[EVSE if kind == VEHICLE else VEHICLE]
    bar = settings.fault_at if kind == VEHICLE else settings.equipment_fault_at
    said = [
        (
            f"One more charge with a healthy {partner} would move it from {if_.now:.3f} to {if_.charged:.3f}, one "
            f"more failure there to {if_.failed:.3f}."
        )
    ]
    if if_.now >= bar:
        needed = next((k for k, p in enumerate(if_.without, start=1) if p < bar), None)
        said.append(
            f"Were its {needed} strongest failures shown to have another cause, it would fall below {bar:.2f}."
            if needed
            else f"Not even without its {len(if_.without)} strongest failures would it fall below {bar:.2f}."
        )
    if row["rival"] is not None and not row["separable"]:
        said.append(
            f"{RIVAL[str(row['rival'])].capitalize()} could explain its failures about as well: a plug-in "
            f"with a {partner} that others use well would tell."
        )
    doubtful = own.filter(pl.col("weight") < 1.0).height
    if doubtful:
        said.append(
            f"{doubtful} of its attempts count for less because their records are doubtful."
        )
    return tuple(said)


def _attempt(answer: Attribution, subject: str, shares: dict[str, float]) -> Explanation:
    solution = next(
        s for s in answer.solutions.values() if subject in s.evidence.attempt_id.implode().item()
    )
    row = int(solution.evidence.attempt_id.index_of(subject) or 0)
    evidence = solution.evidence
    vehicle, evse = evidence.vehicle[row], evidence.evse[row]
    known = vehicle < evidence.vehicles.height
    who = evidence.vehicles["vehicle_id"][int(vehicle)] if known else "an unknown vehicle"
    where = evidence.evses["evse_id"][int(evse)]
    at = evidence.begin_utc + timedelta(days=float(evidence.at_days[row]))
    parts = ", ".join(
        f"{name.removeprefix('p_')} {shares[name]:.2f}"
        for name in ("p_vehicle", "p_evse", "p_pairing", "p_other")
    )
    what = "asked for no charge" if evidence.silent[row] else "failed"
    near = (np.abs(evidence.at_days - evidence.at_days[row]) <= 7) & (
        (evidence.vehicle == vehicle) | (evidence.evse == evse)
    )
    frame = attempt_rows(solution, VEHICLE).filter(
        pl.Series(near) & (pl.col("attempt_id") != subject)
    )
    here = (
        pl.when(pl.col("evse_id") == where)
        .then(pl.lit("this EVSE"))
        .otherwise(pl.lit("this vehicle elsewhere"))
    )
    company = frame.group_by(same=here).agg(
        attempts=pl.len(),
        failures=pl.col("failed").sum(),
        vehicles=pl.col("vehicle_id").n_unique(),
        evses=pl.col("evse_id").n_unique(),
    )
    return Explanation(
        headline=f"Attempt {subject}, {who} at {where}, {at:%Y-%m-%d %H:%M} UTC {what}. Shares: {parts}.",
        attempts=frame.clear(),
        company=company.sort("same"),
        change=_circumstances(solution, row),
    )


def _circumstances(solution: Solution, row: int) -> tuple[str, ...]:
    """Sentences on what a failed attempt met on its day."""
    evidence = solution.evidence
    day = evidence.day[row]
    p_vehicle = float(solution.units[VEHICLE].probability[evidence.vehicle[row], day])
    p_evse = float(solution.units[EVSE].probability[evidence.evse[row], day])
    base = float(solution.chance.base[np.searchsorted(solution.rows, row)])
    judged = (
        f"On that day the vehicle was at fault with {p_vehicle:.3f}, the EVSE with {p_evse:.3f}"
    )
    said = [f"{judged}; chance alone explains such an attempt with {base:.3f}."]
    if evidence.echo[row]:
        said.append("It follows a failure within minutes, so a passing cause may have lasted.")
    if evidence.weight[row] < 1:
        said.append(
            f"It counts with weight {evidence.weight[row]:.2f} because its record is doubtful."
        )
    return tuple(said)

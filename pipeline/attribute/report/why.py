"""Why a vehicle, an EVSE or an attempt was judged so.

The attempts that count, their company, and what would change the answer.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.attribute.attribution import Attribution
from pipeline.attribute.report.attempt_rows import attempt_rows
from pipeline.attribute.report.explanation import Explanation, Told
from pipeline.attribute.report.unit_frames import unit_frame
from pipeline.attribute.report.what_if import WhatIf, what_if
from pipeline.attribute.report.why_attempt import attempt_explained
from pipeline.attribute.report.wording import RIVAL
from pipeline.attribute.states.kinds import EVSE, VEHICLE
from pipeline.attribute.states.solution import Solution
from pipeline.core.errors import NotEnoughDataError
from pipeline.settings.attribute import AttributeSettings

SHOWN_DAYS = 21
"""Days shown before the end of the report week, or since the onset if that is longer ago."""
NAMES = {VEHICLE: "vehicle_id", EVSE: "evse_id"}
WORDS = {VEHICLE: "vehicle", EVSE: "EVSE"}


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
            solution, position = max(found, key=lambda one: _weight(one[0], one[1], kind, settings))
            return _unit(answer, solution, settings, kind, position, told)
    shares = answer.blame.filter(pl.col("attempt_id") == subject)
    if shares.height:
        return attempt_explained(answer, subject, shares.row(0, named=True))
    raise NotEnoughDataError(
        f"{subject!r} is no vehicle, EVSE or failed or silent attempt of the look-back to {answer.week}",
        next_step="name one that has an attempt in these weeks; a charged attempt has nobody to blame",
    )


def _weight(
    solution: Solution, position: int, kind: int, settings: AttributeSettings
) -> tuple[float, int]:
    """Which supply's attempts are shown: those that speak most for a fault, to a tenth; of two alike the more."""
    p = float(solution.units[kind].lately(settings.report_days)[position])
    return round(p, 1), int((solution.evidence.columns[kind] == position).sum())


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
    since = min(row["onset_lo_utc"] or end, end - timedelta(days=SHOWN_DAYS))
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
        f"{_shown(final.p)}, {final.call}."
    )
    moved = what_if(solution, settings, kind, position, final.p)
    return Explanation(
        headline=f"{week}\n{final.reason}",
        attempts=chosen,
        company=_company(rows, own, solution, kind),
        change=(*_besides(row["p"], final), *_change(own, moved, row, settings, kind)),
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


def _shown(p: float) -> str:
    """A probability to three places; none is certain."""
    return "under 0.001" if p < 0.001 else "over 0.999" if p > 0.999 else f"{p:.3f}"


APART = 0.2
"""A call this far from what the attempts alone give rests on more than them, and says so (decided)."""


def _besides(p: float, final: Told) -> tuple[str, ...]:
    if abs(p - final.p) < APART:
        return ()
    return (
        f"By its attempts alone it would be at fault with probability {_shown(p)}; the rest is by what else is said above.",
    )


def _change(
    own: pl.DataFrame, if_: WhatIf, row: dict[str, object], settings: AttributeSettings, kind: int
) -> tuple[str, ...]:
    partner = WORDS[EVSE if kind == VEHICLE else VEHICLE]
    bar = settings.fault_at if kind == VEHICLE else settings.equipment_fault_at
    said = [
        (
            f"One more charge with a healthy {partner} would move it from {_shown(if_.now)} to {_shown(if_.charged)}, one "
            f"more failure there to {_shown(if_.failed)}."
        )
    ]
    if if_.now >= bar and if_.without:
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

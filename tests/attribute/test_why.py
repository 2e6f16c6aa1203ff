"""Explanations name what counts, and the bench runs."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.attribute.attribution import Attribution, attribute
from pipeline.attribute.evidence import Evidence
from pipeline.attribute.report.attempt_rows import attempt_rows
from pipeline.attribute.report.explanation import SHOWN, Explanation, Told
from pipeline.attribute.report.what_if import MOST_REMOVED, TYPICAL_CHANCE, log_ratios, what_if
from pipeline.attribute.report.why import _besides, _shown, why
from pipeline.attribute.states.kinds import VEHICLE
from pipeline.attribute.states.messages import state_escape
from pipeline.core.errors import NotEnoughDataError
from pipeline.measure.speed.attribute import (
    EVSE_MODELS,
    MODELS,
    Size,
    big_fleet,
    growth,
    growth_exponent,
    time_one,
)
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.planted import END, WEEK, Plan, plant

SETTINGS = AttributeSettings()
PLAN = Plan(vehicle_faults={4: (60, 84, 0.95)}, evse_faults={7: (50, 84, 0.6)})


@pytest.fixture(scope="module")
def answer() -> Attribution:
    """A fleet with one faulty vehicle and one faulty EVSE."""
    return attribute(plant(PLAN), SETTINGS, WEEK)


def test_a_vehicle_is_explained_by_its_attempts_and_their_company(answer: Attribution) -> None:
    """Failures weigh for, charges against; others fared well at the EVSEs it failed with.

    The text says so.
    """
    told = why(answer, SETTINGS, "v004")
    bits = (
        told.attempts.group_by("outcome")
        .agg(pl.col("bits").mean())
        .sort("outcome")["bits"]
        .to_list()
    )
    assert bits[0] < 0 < bits[1]
    sound = told.company.filter(pl.col("partner") != "e007")
    assert sound["others_failures"].sum() < 0.2 * sound["others_attempts"].sum()
    assert "verdict 'fault'" in told.text()
    assert any("charge with a healthy EVSE" in sentence for sentence in told.change)


def test_an_evse_and_an_attempt_are_explained_too(answer: Attribution) -> None:
    """The same for an EVSE; an attempt shows its four shares."""
    assert "EVSE e007" in why(answer, SETTINGS, "e007").headline
    failed = answer.blame.sort("p_vehicle", descending=True)["attempt_id"][0]
    assert "Shares: vehicle" in why(answer, SETTINGS, failed).headline


def test_an_unknown_id_is_a_clear_error(answer: Attribution) -> None:
    """What is not in the look-back cannot be explained, and the message says what can."""
    with pytest.raises(NotEnoughDataError, match="nobody"):
        why(answer, SETTINGS, "nobody")


def test_the_bench_times_growing_fleets() -> None:
    """Two small fleets give a row each with cells, seconds and peak memory (speed itself is not
    tested here).
    """
    table = growth(SETTINGS, ((10, 4, 150), (20, 8, 300)))
    assert table["cells"].is_sorted()
    assert (table.select("seconds", "processor_seconds", "peak_mb").min_horizontal() > 0).all()
    assert table["sessions"].to_list() == [150, 300]


def week_of(time: str) -> pl.Expr:
    """Monday of the week a time lies in, counted from the look-back's first."""
    begin = END - timedelta(weeks=12)
    return (begin + pl.duration(days=7 * ((pl.col(time) - begin).dt.total_days() // 7))).alias(
        "week"
    )


def test_bits_are_the_log_ratio_of_what_happened(answer: Attribution) -> None:
    """A charge counts log2(1 - q) against a fault at its likeliest level, by the attempt's weight
    (derived).
    """
    solution = answer.solutions["AC"]
    rows = attempt_rows(solution, VEHICLE)
    states = solution.units[VEHICLE]
    level = 1 + int((states.belief[4, -1, 1:] * states.model.fault_mask[1:]).argmax())
    escape = state_escape(states.model, solution.reach, solution.evidence.silent)[:, level]
    mine = (solution.evidence.vehicle == 4) & ~solution.evidence.event
    asked = np.log2(1 - states.model.silent[level])
    assert rows["bits"].to_numpy()[mine] == pytest.approx(np.log2(escape[mine]) + asked)
    failed = solution.rows
    own = solution.evidence.vehicle[failed] == 4
    others = np.prod(solution.judged.escapes[1:], axis=0)
    held = ((1 - solution.chance.base) * others)[own]
    want = np.log2((1 - held * escape[failed][own]) / (1 - held))
    want += np.where(solution.evidence.asked[failed][own], asked, 0.0)
    assert rows["bits"].to_numpy()[failed[own]] == pytest.approx(want)
    assert rows["p_own"].to_numpy()[failed] == pytest.approx(solution.judged.blame[VEHICLE])
    assert np.isnan(rows["p_own"].to_numpy()[~solution.evidence.event]).all()
    assert rows["outcome"].to_list() == [
        "failed" if x else "charged" for x in solution.evidence.failed
    ]
    again = plant(PLAN).sort("plugged_at_utc", "evse_id", "attempt_id")
    assert rows["attempt_id"].to_list() == again["attempt_id"].to_list()
    apart = (rows["plugged_at_utc"] - again["plugged_at_utc"]).dt.total_microseconds().abs().max()
    assert isinstance(apart, int)
    assert apart <= 1
    assert (
        rows["week_start_utc"].to_list()
        == again.select(week_of("plugged_at_utc")).to_series().to_list()
    )


def test_half_a_weight_is_half_the_bits() -> None:
    """A doubtful record says less, in proportion; the explanation names how many are."""
    plan = Plan(vehicle_faults={4: (60, 84, 0.95)}, vehicles=12, evses=6)
    doubted = plant(plan).with_columns(
        weight=pl.when(pl.col("vehicle_id") == "v004").then(0.5).otherwise(1.0)
    )
    answer = attribute(doubted, SETTINGS, WEEK)
    rows = attempt_rows(answer.solutions["AC"], VEHICLE).filter(
        pl.col("vehicle_id") == "v004", ~pl.col("failed")
    )
    states = answer.solutions["AC"].units[VEHICLE]
    level = 1 + int((states.belief[4, -1, 1:] * states.model.fault_mask[1:]).argmax())
    q = states.model.loud[level]
    assert rows["bits"].min() == pytest.approx(0.5 * np.log2(1 - q), rel=0.05)
    told = why(answer, SETTINGS, "v004")
    assert (
        told.change[-1]
        == f"{told.attempts.height} of its attempts count for less because their records are doubtful."
    )
    attempt = answer.blame.sort("p_vehicle", descending=True)["attempt_id"][0]
    assert (
        why(answer, SETTINGS, attempt).change[-1]
        == "It counts with weight 0.50 because its record is doubtful."
    )


def test_a_unit_is_shown_since_it_fails_strongest_first(answer: Attribution) -> None:
    """Its own attempts since three weeks before the end or the earliest onset, the ones that say
    most first.
    """
    told = why(answer, SETTINGS, "v004")
    row = answer.vehicles.filter(pl.col("vehicle_id") == "v004").row(0, named=True)
    since = min(row["onset_lo_utc"], END - timedelta(days=21))
    mine = plant(PLAN).filter(pl.col("vehicle_id") == "v004", pl.col("plugged_at_utc") >= since)
    assert sorted(told.attempts["attempt_id"].to_list()) == sorted(mine["attempt_id"].to_list())
    assert told.attempts["bits"].abs().is_sorted(descending=True)
    assert set(told.attempts["partner"]) == set(mine["evse_id"])
    p = row["p_vehicle"]
    assert (
        told.headline
        == f"vehicle v004, week {WEEK}, AC: at fault with probability {_shown(p)}, verdict 'fault'.\n{row['reason']}"
    )
    sound = why(answer, SETTINGS, "v000")
    quiet = plant(PLAN).filter(
        pl.col("vehicle_id") == "v000", pl.col("plugged_at_utc") >= END - timedelta(days=21)
    )
    assert sorted(sound.attempts["attempt_id"].to_list()) == sorted(quiet["attempt_id"].to_list())


def test_company_is_counted_week_by_week(answer: Attribution) -> None:
    """Per partner it failed with and week.

    Own attempts and failures, and how many others fared how, counted again.
    """
    told = why(answer, SETTINGS, "e007")
    row = answer.evses.filter(pl.col("evse_id") == "e007").row(0, named=True)
    since = min(row["onset_lo_utc"], END - timedelta(days=21))
    failed = pl.col("outcome") == "failed"
    recent = (
        plant(PLAN)
        .filter(pl.col("plugged_at_utc") >= since)
        .with_columns(week_of("plugged_at_utc"))
    )
    own = (
        recent.filter(pl.col("evse_id") == "e007")
        .group_by("vehicle_id", "week")
        .agg(n=pl.len(), k=failed.sum())
    )
    others = recent.filter(pl.col("evse_id") != "e007").group_by("vehicle_id", "week").agg(
        others=pl.col("evse_id").n_unique(), tried=pl.len(), bad=failed.sum()
    )  # fmt: skip
    want = (
        own.filter(pl.col("k") > 0).join(others, on=["vehicle_id", "week"], how="left").fill_null(0)
    )
    shown = (
        "partner",
        "week_start_utc",
        "own_attempts",
        "own_failures",
        "others",
        "others_attempts",
        "others_failures",
    )
    got = told.company.select(shown)
    assert sorted(got.rows()) == sorted(want.rows())
    assert told.company["own_failures"].is_sorted(descending=True)
    now = dict(
        zip(
            answer.vehicles["vehicle_id"],
            answer.solutions["AC"].units[VEHICLE].probability[:, -1],
            strict=False,
        )
    )
    assert told.company["p_partner"].to_list() == [now[name] for name in told.company["partner"]]


def test_what_if_follows_bayes() -> None:
    """One more charge or failure moves the last day's odds by its likelihood; failures taken away,
    strongest first, by the chain.

    What is said are these figures.
    """
    answer = attribute(
        plant(Plan(vehicles=12, evses=6, vehicle_faults={4: (77, 84, 0.95)})), SETTINGS, WEEK
    )
    solution = answer.solutions["AC"]
    states, evidence = solution.units[VEHICLE], solution.evidence
    told = what_if(solution, SETTINGS, VEHICLE, 4, float(states.lately(3)[4]))
    one_day = SETTINGS.model_copy(update={"report_days": 1})
    ratios = log_ratios(solution, VEHICLE)
    rows = np.flatnonzero(evidence.vehicle == 4)

    def last_day(left_out: list[int]) -> np.ndarray:
        now = states.model.initial[4]
        for day in range(evidence.days):
            now = now @ states.model.transition if day else now
            for row in rows[(evidence.day[rows] == day) & ~np.isin(rows, left_out)]:
                now = now * np.exp(ratios[row])
            now = now / now.sum()
        return now

    on, escape = (
        states.model.fault_mask,
        state_escape(states.model, np.full((1, 3), SETTINGS.diode_seen), np.array([False]))[0],
    )
    plain = last_day([])
    charged = plain * escape * (1 - states.model.silent)
    failed = plain * (1 - (1 - TYPICAL_CHANCE) * escape)
    now = what_if(solution, one_day, VEHICLE, 4, float(plain @ on))
    assert now.now == pytest.approx(plain @ on)
    assert now.charged == pytest.approx(charged @ on / charged.sum())
    assert now.failed == pytest.approx(failed @ on / failed.sum())
    strongest = sorted(
        (row for row in rows if evidence.failed[row]), key=lambda row: -ratios[row, 1:].max()
    )[:MOST_REMOVED]
    assert list(now.without) == pytest.approx(
        [last_day(strongest[:k]) @ on for k in range(1, len(strongest) + 1)]
    )
    assert told.now == pytest.approx(states.lately(3)[4])
    assert told.charged < told.now < told.failed
    assert told.without[-1] < 0.1
    change = why(answer, SETTINGS, "v004").change
    assert change[0] == (
        f"One more charge with a healthy EVSE would move it from {_shown(told.now)} to {_shown(told.charged)}, one more failure there "
        f"to {_shown(told.failed)}."
    )
    needed = next(k for k, p in enumerate(told.without, start=1) if p < SETTINGS.fault_at)
    assert (
        change[1]
        == f"Were its {needed} strongest failures shown to have another cause, it would fall below 0.90."
    )
    sound = why(answer, SETTINGS, "v000")
    assert sound.change[0].startswith("One more charge with a healthy EVSE would move it from 0.0")
    assert not any("strongest" in sentence for sentence in sound.change)


def test_a_call_that_rests_on_more_than_attempts_says_so() -> None:
    """A fifth apart or more (decided); no probability is told as certain."""
    assert _besides(0.5, Told("refer", 0.65, "")) == ()
    assert _besides(0.0004, Told("refer", 0.9999, "")) == (
        "By its attempts alone it would be at fault with probability under 0.001; the rest is by what else is said above.",
    )
    assert [_shown(p) for p in (0.0, 0.001, 0.5, 0.999, 1.0)] == [
        "under 0.001", "0.001", "0.500", "0.999", "over 0.999",
    ]  # fmt: skip


def test_a_long_row_of_failures_is_not_talked_away(answer: Attribution) -> None:
    """Of many failures only the twenty strongest are taken away.

    Equipment has a line of its own.
    """
    told = why(answer, SETTINGS, "v004")
    assert (
        told.change[1]
        == f"Not even without its {MOST_REMOVED} strongest failures would it fall below 0.90."
    )
    evse = why(answer, SETTINGS, "e007")
    assert evse.change[0].startswith("One more charge with a healthy vehicle")
    assert "below 0.70" in evse.change[1]


def test_who_cannot_be_told_apart_is_told_so() -> None:
    """A vehicle loyal to an EVSE of its own: a plug-in elsewhere would decide."""
    loyal = attribute(
        plant(Plan(vehicle_faults={3: (40, 84, 0.95)}, loyal={3: 11}, exclusive=(11,))),
        SETTINGS,
        WEEK,
    )
    said = [why(loyal, SETTINGS, name).change for name in ("v003", "e011")]
    for other, change in zip(("EVSE", "vehicle"), said, strict=True):
        assert any(f"a plug-in with a {other} that others use well would tell" in s for s in change)


def test_an_attempt_is_explained_by_its_day_and_its_neighbours(answer: Attribution) -> None:
    """Shares, both units' probability that day, chance, and how this EVSE and this vehicle
    elsewhere fared within a week.
    """
    row = answer.blame.sort("p_vehicle", descending=True).row(0, named=True)
    subject = row["attempt_id"]
    attempts = plant(PLAN)
    it = attempts.filter(pl.col("attempt_id") == subject).row(0, named=True)
    told = why(answer, SETTINGS, subject)
    parts = ", ".join(
        f"{name} {row['p_' + name]:.2f}" for name in ("vehicle", "evse", "pairing", "other")
    )
    at = it["plugged_at_utc"]
    who = f"{it['vehicle_id']} at {it['evse_id']}"
    assert (
        told.headline
        == f"Attempt {subject}, {who}, {at:%Y-%m-%d %H:%M} UTC failed. Shares: {parts}."
    )
    solution = answer.solutions["AC"]
    day = (at - (END - timedelta(weeks=12))).days
    vehicle, evse = int(it["vehicle_id"][1:]), int(it["evse_id"][1:])
    place = solution.evidence.attempt_id.to_list().index(subject)
    base = solution.chance.base[solution.rows.tolist().index(place)]
    assert told.change[0] == (
        f"On that day the vehicle was at fault with {solution.units[0].probability[vehicle, day]:.3f}, the EVSE with "
        f"{solution.units[1].probability[evse, day]:.3f}; chance alone explains such an attempt with {base:.3f}."
    )
    assert len(told.change) == 1 + (solution.evidence.echo[place] > 0)
    near = attempts.filter(
        (pl.col("plugged_at_utc") - at).abs() <= timedelta(days=7),
        (pl.col("vehicle_id") == it["vehicle_id"]) | (pl.col("evse_id") == it["evse_id"]),
        pl.col("attempt_id") != subject,
    )
    here = pl.col("evse_id") == it["evse_id"]
    want = near.group_by(
        pl.when(here).then(pl.lit("this EVSE")).otherwise(pl.lit("this vehicle elsewhere"))
    ).agg(
        pl.len(),
        (pl.col("outcome") == "failed").sum(),
        pl.col("vehicle_id").n_unique(),
        pl.col("evse_id").n_unique(),
    )
    assert told.company.rows() == sorted(want.rows())
    assert told.attempts.is_empty()


def test_an_unknown_vehicle_and_an_echo_are_named_as_such() -> None:
    """Whose card nobody knows is 'an unknown vehicle'.

    A retry within minutes may have met the same passing cause.
    """
    rows = plant(Plan(vehicles=6, evses=4, base=0.1))
    failed = rows.filter(pl.col("outcome") == "failed").sort("plugged_at_utc").row(5, named=True)
    soon = failed["plugged_at_utc"] + timedelta(minutes=3)
    again = pl.DataFrame(
        [failed | {"attempt_id": "again", "plugged_at_utc": soon}], schema=rows.schema
    )
    both = pl.concat([rows, again])
    mine = pl.col("attempt_id").is_in([failed["attempt_id"], "again"])
    both = both.with_columns(
        pl.when(mine).then(None).otherwise(name).alias(name)
        for name in ("vehicle_id", "vehicle_model")
    )
    told = why(attribute(both, SETTINGS, WEEK), SETTINGS, "again")
    assert "Attempt again, an unknown vehicle at " in told.headline
    assert (
        told.change[1] == "It follows a failure within minutes, so a passing cause may have lasted."
    )


def test_the_text_holds_everything(answer: Attribution) -> None:
    """Headline, the strongest attempts with what bits mean, the company, a line a sentence.

    Empty tables leave no heading.
    """
    told = why(answer, SETTINGS, "v004")
    text = told.text()
    assert text.startswith(told.headline)
    assert "Attempts that count most (bits: for a fault if above 0, against it if below):" in text
    assert "Who else was there, and how they fared in the same weeks:" in text
    for sentence in told.change:
        assert f"\n- {sentence}" in text
    shown = told.attempts["attempt_id"].head(SHOWN).to_list()
    assert all(name in text for name in shown)
    assert told.attempts.height <= SHOWN or told.attempts["attempt_id"][SHOWN] not in text
    assert "shape:" not in text
    assert "str" not in text.split("Who else")[0].split("below):")[1]
    bare = Explanation("h", told.attempts.clear(), told.company.clear(), ("s",)).text()
    assert bare == "h\n\n- s"


def test_the_bench_says_what_it_timed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fleet of the asked size: everybody within reach, rates as told, cells counted.

    A curve of slope 1 is linear growth.
    """
    evidence = big_fleet(Size(50, 20, 4_000, circle=8))
    assert evidence.sizes == (51, 20, MODELS * EVSE_MODELS + 1, 1, 1, 1)
    assert len(evidence.failed) == 4_000
    assert (np.diff(evidence.at_days) >= 0).all()
    assert (evidence.day == np.floor(evidence.at_days)).all()
    assert (evidence.at_days.min() >= 0) & (evidence.at_days.max() < evidence.days)
    assert 0.01 < evidence.failed.mean() < 0.2
    assert (evidence.weight == 1).all()
    assert (evidence.echo == 0).all()
    assert (evidence.previous == -1).all()
    met = (
        pl.DataFrame({"v": evidence.vehicle, "e": evidence.evse})
        .group_by("v")
        .agg(pl.col("e").n_unique())["e"]
    )
    assert met.max() <= 9
    assert (evidence.pairing == (evidence.vehicle % MODELS) * EVSE_MODELS + evidence.model).all()
    assert (evidence.model == evidence.evse % EVSE_MODELS).all()
    again = big_fleet(Size(50, 20, 4_000, circle=8))
    assert (again.vehicle == evidence.vehicle).all()
    assert (again.failed == evidence.failed).all()
    solved: list[Evidence] = []
    monkeypatch.setattr(
        "pipeline.measure.speed.attribute.solve", lambda evidence, *_: solved.append(evidence)
    )
    row = time_one(Size(30, 10, 1_000), SETTINGS)
    assert [len(one.failed) for one in solved] == [1_000]
    small = big_fleet(Size(30, 10, 1_000))
    cells = len(set(zip(small.vehicle.tolist(), small.evse.tolist(), strict=True)))
    assert (row["vehicles"], row["evses"], row["sessions"], row["cells"]) == (30, 10, 1_000, cells)
    assert row["seconds"] > 0
    assert row["processor_seconds"] > 0
    assert 50 < row["peak_mb"] < 50_000
    table = pl.DataFrame({"cells": [10, 100, 1000], "processor_seconds": [0.5, 50.0, 5000.0]})
    assert growth_exponent(table) == pytest.approx(2.0)

"""What worlds do beyond failing: silence and habits, weak faults that stay, outages, what is unknown."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.attribute.attribution import Attribution, attribute
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.planted import END, WEEK, Plan, plant

SETTINGS = AttributeSettings()
QUIET = Plan(vehicles=30, evses=10, base=0.02)


def silent_where(mask: pl.Expr, plan: Plan = QUIET, seed: int = 1) -> pl.DataFrame:
    """The plan's attempts at four sites, those of the mask silent nine times in ten."""
    rng = np.random.default_rng(seed + 100)
    frame = plant(plan, seed).with_columns(
        site_id=pl.lit("s") + (pl.col("evse_id").str.tail(3).cast(pl.Int64) % 4).cast(pl.String)
    )
    dice = pl.Series(rng.random(frame.height) < 0.9)
    frame = frame.with_columns(
        silent=mask & dice,
        unplugged_at_utc=pl.col("plugged_at_utc") + timedelta(hours=3),
    )
    return frame.with_columns(
        outcome=pl.when("silent").then(pl.lit("not_requested")).otherwise("outcome"),
        stage=pl.when("silent").then(pl.lit("offered")).otherwise("stage"),
    )


def row_of(answer: Attribution, vehicle: str) -> dict[str, object]:
    """A vehicle's row."""
    return answer.vehicles.filter(pl.col("vehicle_id") == vehicle).row(0, named=True)


def test_silence_everywhere_and_from_the_first_day_is_a_fault() -> None:
    """A vehicle that asks at no EVSE, at any time of day, is at fault; its silences are blamed on it."""
    answer = attribute(silent_where(pl.col("vehicle_id") == "v004"), SETTINGS, WEEK)
    row = row_of(answer, "v004")
    assert float(str(row["p_vehicle"])) > 0.95
    assert row["fault_kind"] == "silent"
    assert row["verdict"] == "fault"
    assert float(str(row["p_silent"])) > 0.9
    silent = answer.blame.filter("silent")
    assert silent.height == row["silent"]
    assert silent["p_vehicle"].mean() > 0.7  # type: ignore[operator]
    total = silent.select(pl.sum_horizontal("p_vehicle", "p_evse", "p_pairing", "p_other"))
    assert np.allclose(total.to_series().to_numpy(), 1.0, atol=1e-6)


@pytest.mark.parametrize(
    "habit",
    [pl.col("site_id") == "s1", pl.col("plugged_at_utc").dt.hour().is_between(6, 11)],
    ids=["at one place", "at one time of day"],
)
def test_a_habit_of_a_place_or_an_hour_is_no_fault(habit: pl.Expr) -> None:
    """Who does not charge at one site only, or in the mornings only, has his reasons."""
    site = pl.lit("s") + (pl.col("evse_id").str.tail(3).cast(pl.Int64) % 4).cast(pl.String)
    mask = (pl.col("vehicle_id") == "v004") & habit
    frame = plant(QUIET).with_columns(site_id=site).with_columns(_mask=mask)
    chosen = frame.filter("_mask")["attempt_id"].implode()
    answer = attribute(silent_where(pl.col("attempt_id").is_in(chosen)), SETTINGS, WEEK)
    row = row_of(answer, "v004")
    assert int(str(row["silent"])) > 10
    assert float(str(row["p_vehicle"])) < 0.5
    assert row["verdict"] != "fault"


def test_silence_at_a_faulty_pairing_is_shared_with_the_pairing() -> None:
    """All vehicles of one model that are silent at one EVSE model: the pairing's, not theirs."""
    pair = (pl.col("vehicle_model") == "vm1") & (pl.col("evse_model") == "em0")
    answer = attribute(silent_where(pair), SETTINGS, WEEK)
    assert not (answer.vehicles["verdict"] == "fault").any()
    silent = answer.blame.filter("silent")
    assert silent["p_vehicle"].mean() < 0.1  # type: ignore[operator]
    assert silent["p_pairing"].mean() > 0.3  # type: ignore[operator]


def test_a_weak_fault_that_stays_is_called_and_said_in_its_own_words() -> None:
    """An EVSE that fails 1 in 7 all along where others fail 1 in 40."""
    plan = Plan(vehicles=60, evses=40, per_day=1.5, base=0.025, evse_faults={7: (0, 84, 0.125)})
    answer = attribute(plant(plan), SETTINGS, WEEK)
    row = answer.evses.filter(pl.col("evse_id") == "e007").row(0, named=True)
    assert row["verdict"] == "fault"
    others = answer.evses.filter(pl.col("evse_id") != "e007")
    assert not (others["verdict"] == "fault").any()
    if row["fault_kind"] == "chronic":
        assert "all along, where the usual is 1 in" in row["reason"]


@pytest.mark.parametrize("seed", [3, 6])
def test_failures_of_an_evse_do_not_excuse_it_by_a_normal_rate_of_its_own(seed: int) -> None:
    """An EVSE of a small fleet that began to fail one attempt in eight, the usual being one in forty.

    No healthy EVSE is called with it.
    """
    plan = Plan(vehicles=60, evses=20, per_day=0.35, base=0.025, evse_faults={3: (40, 84, 0.13)})
    evses = attribute(plant(plan, seed), SETTINGS, WEEK).evses
    assert evses.filter(pl.col("verdict") == "fault")["evse_id"].to_list() == ["e003"]


def test_a_pairing_does_not_mend_itself() -> None:
    """A third of a pairing's plug-ins failed for ten weeks, none of its last seven: by luck, since the
    firmware has not changed.
    """
    plan = Plan(vehicles=30, evses=12, per_day=0.25, base=0.02, bad_pairing=("1", "0", 0.35))
    mine = (pl.col("vehicle_model") == "vm1") & (pl.col("evse_model") == "em0")
    late = mine & (pl.col("plugged_at_utc") >= END - timedelta(days=10))
    attempts = plant(plan, 0).with_columns(
        outcome=pl.when(late).then(pl.lit("charged")).otherwise("outcome")
    )
    pairing = attribute(attempts, SETTINGS, WEEK).pairings.filter(mine_of("vm1", "em0"))
    assert pairing["verdict"].to_list() == ["fault"]


def mine_of(vehicle_model: str, evse_model: str) -> pl.Expr:
    """The pairing of two models."""
    return (pl.col("vehicle_model") == vehicle_model) & (pl.col("evse_model") == evse_model)


def test_an_outage_of_a_site_is_one_event_and_no_evses_fault() -> None:
    """A day on which every EVSE of a site fails: told once, as the site's, and blamed on nobody."""
    begin = END - timedelta(days=6)
    down = (pl.col("site_id") == "s1") & pl.col("plugged_at_utc").is_between(
        begin, begin + timedelta(days=1)
    )
    frame = silent_where(pl.lit(value=False), Plan(vehicles=60, evses=16, per_day=2.0, base=0.02))
    frame = frame.with_columns(
        outcome=pl.when(down).then(pl.lit("failed")).otherwise("outcome"),
        stage=pl.when(down).then(pl.lit("offered")).otherwise("stage"),
    )
    answer = attribute(frame, SETTINGS, WEEK)
    assert not (answer.evses["verdict"] == "fault").any()
    events = answer.site_events
    assert events["site_id"].to_list() == ["s1"]
    assert events["from_utc"].item() == begin
    mine = answer.blame.join(frame.filter(down), on="attempt_id", how="semi")
    assert mine["p_site"].mean() > 0.8  # type: ignore[operator]
    assert (mine["p_site"] <= mine["p_other"] + 1e-9).all()


def test_an_unknown_model_never_convicts() -> None:
    """With the models of all vehicles missing, those at a bad pairing are not called."""
    plan = Plan(vehicles=30, evses=12, base=0.02, bad_pairing=("1", "0", 0.6))
    known = attribute(plant(plan), SETTINGS, WEEK)
    assert (known.pairings["verdict"] == "fault").any()
    blind = plant(plan).with_columns(vehicle_model=pl.lit(None, dtype=pl.String))
    answer = attribute(blind, SETTINGS, WEEK)
    assert answer.pairings.is_empty()
    sound = answer.vehicles.filter(pl.col("verdict") == "fault")
    assert sound.is_empty()


def test_a_pairing_cured_by_an_update_is_the_past() -> None:
    """Where the firmware it failed with runs nowhere any more, it is not at fault now."""
    plan = Plan(vehicles=30, evses=12, base=0.02, bad_pairing=("1", "0", 0.6))
    update = END - timedelta(days=30)
    new = pl.col("plugged_at_utc") >= update
    healthy = plant(Plan(vehicles=30, evses=12, base=0.02), 2).filter(new)
    frame = pl.concat(
        [
            plant(plan).filter(~new),
            healthy.with_columns(pl.lit("2.0").alias("firmware"), pl.col("attempt_id") + "n"),
        ]
    )
    answer = attribute(frame, SETTINGS, WEEK)
    was = answer.pairings.filter(pl.col("vehicle_model") == "vm1", pl.col("evse_model") == "em0")
    old = was.filter(pl.col("firmware") == "1.0").row(0, named=True)
    assert old["past"]
    assert old["p_pairing"] == 0.0
    assert old["p_peak"] > 0.9
    assert "that is over" in old["reason"]


def test_what_comes_and_goes_is_not_cleared_while_it_rests() -> None:
    """A vehicle that bites in spells of three days, by turns with five days of rest, is at fault."""
    rng = np.random.default_rng(4)
    frame = plant(Plan(vehicles=30, evses=10, per_day=2.0, base=0.02))
    day = (pl.col("plugged_at_utc") - (END - timedelta(days=84))).dt.total_days()
    bites = (
        (pl.col("vehicle_id") == "v004") & (day % 8 < 3) & pl.Series(rng.random(frame.height) < 0.8)
    )
    frame = frame.with_columns(outcome=pl.when(bites).then(pl.lit("failed")).otherwise("outcome"))
    row = row_of(attribute(frame, SETTINGS, WEEK), "v004")
    assert float(str(row["p_vehicle"])) > 0.7
    assert row["fault_kind"] == "intermittent"


@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 10_000))
def test_the_order_of_deliveries_changes_nothing(seed: int) -> None:
    """Rows shuffled, and other weeks told before: the same to the last digit."""
    frame = silent_where(pl.col("vehicle_id") == "v004", Plan(vehicles=10, evses=5, per_day=0.6))
    one = attribute(frame, SETTINGS, WEEK).vehicles["p_vehicle"]
    mixed = frame.sample(fraction=1.0, shuffle=True, seed=seed)
    attribute(
        mixed.filter(pl.col("plugged_at_utc") < END - timedelta(days=14)), SETTINGS, "2026-W12"
    )
    two = attribute(mixed, SETTINGS, WEEK).vehicles["p_vehicle"]
    assert (one - two).abs().max() < 1e-9  # type: ignore[operator]

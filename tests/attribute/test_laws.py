"""Laws that hold for any attribution, whatever its model."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.attribute.attribution import attribute
from pipeline.core.errors import NotEnoughDataError, SchemaError
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.planted import END, WEEK, Plan, plant

SETTINGS = AttributeSettings()
FAULTY = Plan(vehicle_faults={4: (60, 84, 0.95)}, evse_faults={7: (50, 84, 0.6)})


def by_id(frame: pl.DataFrame, key: str, value: str, column: str) -> float:
    """Value of one row."""
    return frame.filter(pl.col(key) == value)[column].item()


def test_planted_faults_are_found_and_nobody_else() -> None:
    """A vehicle and an EVSE that fail from a known day are called, all others are not."""
    answer = attribute(plant(FAULTY), SETTINGS, WEEK)
    assert answer.vehicles.filter(pl.col("verdict") == "fault")["vehicle_id"].to_list() == ["v004"]
    assert answer.evses.filter(pl.col("verdict") == "fault")["evse_id"].to_list() == ["e007"]


def test_blame_of_every_failure_sums_to_one() -> None:
    """Each failed attempt has four shares that sum to 1, and only failed attempts have them."""
    attempts = plant(FAULTY)
    answer = attribute(attempts, SETTINGS, WEEK)
    total = answer.blame.select(
        pl.sum_horizontal("p_vehicle", "p_evse", "p_pairing", "p_other")
    ).to_series()
    assert np.allclose(total.to_numpy(), 1.0, atol=1e-12)
    failed = attempts.filter(pl.col("outcome") == "failed")["attempt_id"].sort()
    assert answer.blame["attempt_id"].sort().equals(failed)


def test_exchanging_vehicles_and_evses_exchanges_the_answers() -> None:
    """With like priors nothing in the method favours one side.

    Swap the roles and the probabilities swap.
    """
    settings = SETTINGS.model_copy(
        update={"vehicle": SETTINGS.evse, "echo_minutes": 1e-9, "outage_minutes": 1e-9}
    )
    plan = Plan(
        vehicles=20,
        evses=20,
        vehicle_faults={4: (60, 84, 0.9)},
        evse_faults={7: (50, 84, 0.6)},
        loyal={3: 11},
        exclusive=(11,),
    )
    attempts = plant(plan).with_columns(diode_check=pl.lit("yes"), coupler=pl.lit("cType2"))
    swapped = attempts.rename(
        {
            "vehicle_id": "evse_id",
            "evse_id": "vehicle_id",
            "vehicle_model": "evse_model",
            "evse_model": "vehicle_model",
        }
    )
    one, two = attribute(attempts, settings, WEEK), attribute(swapped, settings, WEEK)
    left = one.vehicles.sort("vehicle_id")["p_vehicle"].to_numpy()
    right = two.evses.sort("evse_id")["p_evse"].to_numpy()
    assert np.abs(left - right).max() < 1e-6
    blame = one.blame.join(two.blame, on="attempt_id", suffix="_swapped")
    assert (blame["p_vehicle"] - blame["p_evse_swapped"]).abs().max() < 1e-6  # type: ignore[operator]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_shuffled_outcomes_flag_nothing(seed: int) -> None:
    """With outcomes dealt out at random there is nothing to find, and nothing is found."""
    attempts = plant(FAULTY, seed)
    shuffled = attempts.with_columns(attempts["outcome"].shuffle(seed=seed))
    answer = attribute(shuffled, SETTINGS, WEEK)
    for frame in (answer.vehicles, answer.evses, answer.pairings):
        assert not (frame["verdict"] == "fault").any()


def test_order_of_rows_changes_nothing_at_all() -> None:
    """The same attempts in another order give the same numbers to the last bit."""
    attempts = plant(FAULTY)
    one = attribute(attempts, SETTINGS, WEEK)
    two = attribute(attempts.sample(fraction=1.0, shuffle=True, seed=5), SETTINGS, WEEK)
    assert_frame_equal(one.vehicles, two.vehicles, check_exact=True)
    assert_frame_equal(one.blame.sort("attempt_id"), two.blame.sort("attempt_id"), check_exact=True)


def test_renaming_units_changes_nothing() -> None:
    """Ids are opaque: other names (another alphabetical order) give the same probabilities."""
    attempts = plant(FAULTY)
    flip = pl.col("vehicle_id").str.reverse() + "x", pl.col("evse_id").str.reverse() + "y"
    one = attribute(attempts, SETTINGS, WEEK)
    two = attribute(attempts.with_columns(*flip), SETTINGS, WEEK)
    renamed = (
        one.vehicles.with_columns(flip[0])
        .select("vehicle_id", "p_vehicle")
        .join(two.vehicles, on="vehicle_id", suffix="_2")
    )
    assert (renamed["p_vehicle"] - renamed["p_vehicle_2"]).abs().max() < 1e-9  # type: ignore[operator]


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_vehicle_that_meets_one_evse_is_never_called_on_counts(seed: int) -> None:
    """A vehicle that failed at the only EVSE it uses is doubtful, never faulty.

    Where nobody else uses that EVSE both stay open.
    """
    plan = Plan(vehicle_faults={3: (40, 84, 0.95)}, loyal={3: 11}, exclusive=(11,))
    answer = attribute(plant(plan, seed), SETTINGS, WEEK)
    assert by_id(answer.vehicles, "vehicle_id", "v003", "verdict") == "doubt"
    assert by_id(answer.evses, "evse_id", "e011", "verdict") == "doubt"
    together = by_id(answer.vehicles, "vehicle_id", "v003", "p_vehicle") + by_id(
        answer.evses, "evse_id", "e011", "p_evse"
    )
    assert together == pytest.approx(1.0, abs=0.1)


def test_faulty_depot_charger_does_not_blame_the_cars_that_live_there() -> None:
    """Five cars that charge nowhere else fail with their common EVSE.

    The EVSE is called, no car is.
    """
    loyal = dict.fromkeys(range(5), 11)
    answer = attribute(
        plant(Plan(loyal=loyal, exclusive=(11,), evse_faults={11: (60, 84, 0.7)})), SETTINGS, WEEK
    )
    assert by_id(answer.evses, "evse_id", "e011", "verdict") == "fault"
    assert not (answer.vehicles["verdict"] == "fault").any()


def test_bad_pairing_blames_neither_side() -> None:
    """A vehicle model that fails at one EVSE model is a pairing's fault.

    No vehicle and no EVSE is called.
    """
    answer = attribute(plant(Plan(bad_pairing=("1", "0", 0.6))), SETTINGS, WEEK)
    called = (
        answer.pairings.filter(pl.col("verdict") == "fault")
        .select("vehicle_model", "evse_model")
        .rows()
    )
    assert called == [("vm1", "em0")]
    assert not (answer.vehicles["verdict"] == "fault").any()
    assert not (answer.evses["verdict"] == "fault").any()


def test_repaired_units_are_not_called() -> None:
    """What was faulty in the look-back but has been mended for three weeks is not called in the
    report week.
    """
    plan = Plan(vehicle_faults={4: (20, 60, 0.95)}, evse_faults={7: (10, 55, 0.6)})
    answer = attribute(plant(plan), SETTINGS, WEEK)
    assert by_id(answer.vehicles, "vehicle_id", "v004", "p_vehicle") < 0.05
    assert by_id(answer.evses, "evse_id", "e007", "p_evse") < 0.05
    weeks = (
        answer.vehicle_weeks.filter(pl.col("vehicle_id") == "v004")
        .sort("week_start_utc")["p_fault"]
        .to_list()
    )
    assert weeks[6] > 0.95


def test_a_vehicle_without_its_diode_charges_where_nobody_looks() -> None:
    """Failing only at EVSEs that check the diode is a vehicle's fault, however often it charges at
    the others.
    """
    answer = attribute(plant(Plan(vehicle_faults={4: (60, 84, 0.97)}, diode=True)), SETTINGS, WEEK)
    assert by_id(answer.vehicles, "vehicle_id", "v004", "verdict") == "fault"


def test_the_habit_of_checking_is_learnt_where_it_is_not_given() -> None:
    """With `diode_check` unknown, three vehicles that fail at one EVSE model and charge at the
    other teach which one looks.
    """
    plan = Plan(vehicles=40, vehicle_faults=dict.fromkeys((4, 9, 14), (50, 84, 0.97)), diode=True)
    attempts = plant(plan).with_columns(
        evse_model=pl.when(pl.col("diode_check") == "yes")
        .then(pl.lit("looks"))
        .otherwise(pl.lit("blind")),
        diode_check=pl.lit("unknown"),
    )
    answer = attribute(attempts, SETTINGS, WEEK)
    called = answer.vehicles.filter(pl.col("verdict") == "fault")["vehicle_id"].to_list()
    assert called == ["v004", "v009", "v014"]
    solution = answer.solutions["AC"]
    learnt = dict(
        zip(solution.evidence.models["evse_model"].to_list(), solution.checks.tolist(), strict=True)
    )
    assert learnt["looks"] > 0.95
    assert learnt["blind"] < 0.05


def test_distrusted_attempts_do_not_count() -> None:
    """With weight 0 a vehicle's failures say nothing, and it is not called."""
    attempts = plant(Plan(vehicle_faults={4: (60, 84, 0.95)}))
    doubted = attempts.with_columns(
        weight=pl.when(pl.col("vehicle_id") == "v004").then(0.0).otherwise(1.0)
    )
    assert (
        by_id(attribute(doubted, SETTINGS, WEEK).vehicles, "vehicle_id", "v004", "verdict")
        == "insufficient_data"
    )


def test_a_row_of_retries_is_one_piece_of_luck() -> None:
    """Four failures within ten minutes at one EVSE weigh far less than four on four days at four
    EVSEs.
    """
    quiet = plant(Plan(base=0.02))
    mine = (
        quiet.filter((pl.col("vehicle_id") == "v004") & (pl.col("outcome") == "charged"))
        .sort("plugged_at_utc")
        .tail(4)
    )
    spread = mine.select("attempt_id").to_series()
    apart = quiet.with_columns(
        outcome=pl.when(pl.col("attempt_id").is_in(spread.to_list()))
        .then(pl.lit("failed"))
        .otherwise("outcome")
    )
    last = mine.tail(1)["plugged_at_utc"].item()
    index = pl.Series(spread.to_list())
    shift = pl.duration(
        minutes=pl.col("attempt_id")
        .replace_strict(index, pl.Series([0, 2, 4, 6]), default=0)
        .cast(pl.Int64)
    )
    inside = pl.col("attempt_id").is_in(spread.to_list())
    row = apart.with_columns(
        plugged_at_utc=pl.when(inside)
        .then(pl.lit(last).dt.cast_time_unit("us") + shift)
        .otherwise("plugged_at_utc"),
        evse_id=pl.when(inside).then(pl.lit("e001")).otherwise("evse_id"),
        evse_model=pl.when(inside).then(pl.lit("em1")).otherwise("evse_model"),
    )
    p = [
        by_id(attribute(frame, SETTINGS, WEEK).vehicles, "vehicle_id", "v004", "p_vehicle")
        for frame in (apart, row)
    ]
    assert p[0] > 0.5
    assert p[1] < 0.2


def test_unknown_drivers_inform_the_evse_and_blame_no_vehicle() -> None:
    """Attempts without a vehicle still show that an EVSE is faulty."""
    attempts = plant(FAULTY).with_columns(
        vehicle_id=pl.when(pl.col("evse_id") == "e007").then(None).otherwise("vehicle_id"),
        vehicle_model=pl.when(pl.col("evse_id") == "e007").then(None).otherwise("vehicle_model"),
    )
    answer = attribute(attempts, SETTINGS, WEEK)
    assert by_id(answer.evses, "evse_id", "e007", "p_evse") > 0.9
    assert answer.vehicles["vehicle_id"].null_count() == 0


def test_a_week_told_alone_or_after_others_is_the_same() -> None:
    """Nothing is carried from week to week: what was told before does not matter to the last bit."""
    attempts = plant(FAULTY)
    attribute(attempts, SETTINGS, "2026-W13")
    one, two = attribute(attempts, SETTINGS, WEEK), attribute(attempts, SETTINGS, WEEK)
    assert_frame_equal(one.vehicles, two.vehicles, check_exact=True)
    assert_frame_equal(one.blame, two.blame, check_exact=True)


def test_alternating_and_direct_current_are_judged_apart() -> None:
    """A vehicle that fails on DC only is not called on AC."""
    ac, dc = plant(Plan()), plant(Plan(vehicle_faults={4: (50, 84, 0.95)}, supply="DC"), 2)
    dc = dc.with_columns(pl.col("attempt_id") + "d", pl.col("evse_id") + "d")
    answer = attribute(pl.concat([ac, dc]), SETTINGS, WEEK)
    row = answer.vehicles.filter(pl.col("vehicle_id") == "v004").row(0, named=True)
    assert row["p_vehicle"] < 0.05
    assert row["p_vehicle_dc"] > 0.9


def test_no_attempts_is_a_clear_error() -> None:
    """A week without any attempt, or a frame without a needed column, is refused with what to do."""
    with pytest.raises(NotEnoughDataError, match="2020-W01"):
        attribute(plant(Plan()), SETTINGS, "2020-W01")
    with pytest.raises(SchemaError, match="diode_check"):
        attribute(plant(Plan()).drop("diode_check"), SETTINGS, WEEK)


def test_the_look_back_begins_with_the_logs() -> None:
    """A fault that was there on the first day of the logs is dated before them, not before anything
    was logged.
    """
    attempts = plant(Plan(vehicle_faults={4: (0, 84, 0.95)}, evse_faults={7: (60, 84, 0.6)}))
    late = attempts.filter(pl.col("plugged_at_utc") >= END - timedelta(days=33))
    answer = attribute(late, SETTINGS, WEEK)
    begin = END - timedelta(days=35)
    assert answer.solutions["AC"].evidence.begin_utc == begin
    assert answer.vehicle_weeks["week_start_utc"].min() == begin
    row = answer.vehicles.filter(pl.col("vehicle_id") == "v004").row(0, named=True)
    assert row["onset_utc"] < END - timedelta(days=32)
    assert "it has failed since before the logs begin" in row["reason"]
    dated = answer.evses.filter(pl.col("evse_id") == "e007")["reason"].item()
    assert "vehicles: it has failed since about 2026-03-" in dated
    whole = (
        attribute(attempts, SETTINGS, WEEK)
        .vehicles.filter(pl.col("vehicle_id") == "v004")["reason"]
        .item()
    )
    assert "since before the look-back" in whole


def test_reasons_leave_the_probability_to_others() -> None:
    """No sentence holds a percentage; who never failed is told so."""
    answer = attribute(plant(FAULTY), SETTINGS, WEEK)
    for frame in (answer.vehicles, answer.evses, answer.pairings):
        assert frame["reason"].null_count() == 0
        assert not frame["reason"].str.contains("%").any()
    never = answer.evses.filter((pl.col("failures") == 0) & (pl.col("verdict") == "clear"))[
        "reason"
    ]
    assert never.str.starts_with("none of ").all()


def test_a_fault_that_was_always_there_is_not_half_excused() -> None:
    """An EVSE that failed a fifth of all comers from the first day, between two severities of the
    grid, takes the blame.

    Its normal rate is put near the fleet's, and of its failures at least the share due at the next
    lower severity of the grid is blamed on it (derived: two causes share a failure as their
    hazards, -log(1 - rate)).
    """
    rate, base = 0.2, 0.03
    answer = attribute(
        plant(Plan(vehicles=80, per_day=3.0, base=base, evse_faults={7: (0, 84, rate)})),
        SETTINGS,
        WEEK,
    )
    solution = answer.solutions["AC"]
    assert abs(np.log(solution.chance.failures.factors[1][7])) < 0.15
    levels = solution.units[1].model.loud[1:]
    lower = max(level for level in levels if level < rate)
    fault, chance = -np.log1p([-lower, -base])
    mine = solution.judged.blame[1, solution.evidence.evse[solution.rows] == 7]
    assert mine.mean() > fault / (fault + chance) - 0.02


def test_a_fault_there_all_along_is_not_learnt_as_its_vehicles_normal_rate() -> None:
    """Three of forty vehicles fail a third of the time from the first day on, where chance fails
    one in fifty.

    Over three fleets most of the probability goes to them and none to the others; the spread of
    normal rates stays that of the 37 sound ones (none was planted), rather than widening until it
    excuses the three.
    """
    faulty = [1, 2, 3]
    said, others, spread = [], [], []
    for seed in range(3):
        plan = Plan(
            vehicles=40,
            evses=12,
            per_day=1.0,
            base=0.02,
            vehicle_faults=dict.fromkeys(faulty, (0, 84, 0.35)),
        )
        answer = attribute(plant(plan, seed), SETTINGS, WEEK)
        planted = answer.vehicles["vehicle_id"].is_in([f"v{v:03d}" for v in faulty])
        said += answer.vehicles.filter(planted)["p_vehicle"].to_list()
        others.append(answer.vehicles.filter(~planted)["p_vehicle"].max())
        spread.append(answer.solutions["AC"].chance.failures.spreads[0])
    assert np.mean(said) > 0.6
    assert max(others) < 0.1
    assert max(spread) < 0.5

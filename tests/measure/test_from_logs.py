"""Evaluation from logs: units' truth, the oracle, figures, and one small world through the whole pipeline."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.measure.quality.from_logs.figures import figures
from pipeline.measure.quality.from_logs.oracle import oracle
from pipeline.measure.quality.from_logs.run import Plan, Size, score_world, second
from pipeline.measure.quality.from_logs.scores import Scored
from pipeline.measure.quality.from_logs.table import misses, table
from pipeline.measure.quality.from_logs.timing import Published, referral_times, timing_figures
from pipeline.measure.quality.from_logs.units import (
    World,
    evse_truth,
    read_world,
    vehicle_truth,
)
from pipeline.settings import load_settings
from sample_logs.second_world import WORLDS, simulate

END = datetime(2026, 4, 27, tzinfo=UTC)


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> World:
    """Twelve weeks with many faults, truth only."""
    folder = tmp_path_factory.mktemp("world")
    many = replace(WORLDS["standard"], vehicle_faults=0.25, evse_faults=0.25)
    simulate(folder, 80, 24, 12, seed=8, mechanics=many)
    return read_world(folder / "truth")


def test_what_was_repaired_for_good_is_over_and_what_came_back_is_there(world: World) -> None:
    """A repair that held ends a fault; one in vain does not; a relapse dates it again."""
    truth = vehicle_truth(world, END).filter(pl.col("kind").is_not_null())
    assert truth.filter(pl.col("repaired_at").is_null() & (pl.col("onset_at") < END))["there"].all()
    held = truth.filter(
        (pl.col("repaired_at") < END) & ~pl.col("repair_failed") & pl.col("relapse_at").is_null()
    )
    assert held["over"].all()
    assert not held["there"].any()
    back = truth.filter(pl.col("relapse_at") < END)
    assert (back["since"] == back["relapse_at"]).all()


def test_a_fault_is_identifiable_only_where_it_could_show(world: World) -> None:
    """Three attempts that it can fail at two healthy EVSEs; never a healthy vehicle, nor one repaired."""
    truth = vehicle_truth(world, END)
    named = truth.filter("identifiable")
    assert named.height > 3
    assert named["there"].all()
    assert (named["showing"] >= 3).all()
    assert (named["evses"] >= 2).all()
    early = vehicle_truth(world, datetime(2026, 2, 3, tzinfo=UTC))
    assert early["identifiable"].sum() < named.height
    assert evse_truth(world, END).filter("identifiable")["there"].all()


def test_the_oracle_finds_what_fails_everywhere_and_leaves_the_healthy_alone(world: World) -> None:
    """Where chance is known exactly, faults that bite half the time stand out and hardly a healthy vehicle does."""
    said = vehicle_truth(world, END).join(oracle(world, END), on="vehicle_id")
    plain = said.filter(
        pl.col("identifiable") & (pl.col("bite") >= 0.5) & (pl.col("own_failures") >= 5)
    )
    assert plain.height > 3
    assert (plain["p_oracle"] > 0.9).mean() > 0.8  # type: ignore[operator]
    healthy = said.filter(pl.col("kind").is_null())
    assert (healthy["p_oracle"] > 0.5).sum() <= 1


def _vehicle(**told: Any) -> dict[str, Any]:
    plain: dict[str, Any] = {
        "kind": None, "there": False, "over": False, "identifiable": False, "said_call": "clear", "said_p_vehicle": 0.0,
        "p_oracle": 0.0, "said_suspect": None, "logs_from": END - timedelta(weeks=12),
        "evse_share": 0.0, "pairing_share": 0.0, "since": END - timedelta(days=20),
        "said_onset_lo": END - timedelta(days=30), "said_onset_hi": END - timedelta(days=10),
    }  # fmt: skip
    return plain | told


def test_figures_count_what_they_say(world: World) -> None:
    """Precision over all referred, recall over the identifiable, parts over those rightly referred (counted by hand)."""
    at_fault = {"kind": "inlet_lock", "there": True, "identifiable": True}
    vehicles = pl.DataFrame(
        [
            _vehicle(
                **at_fault,
                said_call="refer",
                said_p_vehicle=0.9,
                said_suspect="inlet_lock",
                p_oracle=0.9,
            ),
            _vehicle(
                **at_fault,
                said_call="refer",
                said_p_vehicle=0.8,
                said_suspect="unclear",
                p_oracle=0.9,
            ),
            _vehicle(**at_fault, p_oracle=0.2),
            _vehicle(said_call="refer", said_p_vehicle=0.7, evse_share=0.8),
            _vehicle(),
        ]
    )
    evses = evse_truth(world, END).with_columns(
        said_call=pl.lit("clear"), said_suspect=pl.lit(None, dtype=pl.String)
    )
    pairings = pl.DataFrame(
        {"said_call": ["faulty"], "own_failures": [3], "identifiable": [True], "weak": [False]}
    )
    attempts = pl.DataFrame(
        {
            "outcome": ["failed", "charged", "failed"], "said_outcome": ["not_requested", "charged", "charged"],
            "silent": [True, False, False], "cause": ["vehicle", None, "chance"],
            "vehicle_id": ["a", "b", "c"], "said_vehicle": ["a", "b", "x"],
            "trouble": ["silent", None, "lock"], "telematics": [False, False, True],
            "said_p_vehicle": [0.9, None, None], "said_p_evse": [0.1, None, None],
            "said_p_pairing": [0.0, None, None], "said_p_other": [0.0, None, None],
        }
    )  # fmt: skip
    told = figures(Scored(vehicles, evses, pairings, attempts, pl.DataFrame()))
    assert told["vehicles"]["precision"] == pytest.approx(2 / 3)
    assert told["vehicles"]["recall"] == pytest.approx(2 / 3)
    assert told["vehicles"]["oracle_recall"] == pytest.approx(2 / 3)
    assert told["vehicles"]["part_right"] == pytest.approx(1 / 2)
    assert told["vehicles"]["sound_for_bad_evse"] == 1
    assert told["vehicles"]["onset_held"] == pytest.approx(1.0)
    assert told["vehicles_by_kind"][0]["called"] == 2
    assert told["attempts"]["outcome_right"] == pytest.approx(2 / 3)
    assert told["attempts"]["blame_right"] == pytest.approx(1.0)
    assert "failed taken for charged: 1" in table(told)


def test_a_small_world_is_read_and_scored_from_its_published_files(tmp_path: Path) -> None:
    """Most plug-ins of the delivery are found again with their vehicle and outcome; every unit has a row; all is kept."""
    known = second(replace(WORLDS["standard"], unknown_models=0.0))
    scored = score_world(
        Plan(known, Size(24, 12, 4), load_settings(), every_week=True), 3, tmp_path
    )
    assert scored.vehicles.height == 24
    assert scored.evses.height == 12
    told = figures(scored)
    assert told["attempts"]["found"] > 0.9
    assert told["attempts"]["vehicle_right"] > 0.9
    assert told["attempts"]["outcome_right"] > 0.85
    everyone = pl.col("vehicle_id").is_not_null()
    referred = replace(
        scored,
        vehicles=scored.vehicles.with_columns(
            pl.when(everyone).then(pl.lit("refer")).alias("said_call")
        ),
        evses=scored.evses.with_columns(said_call=pl.lit("faulty")),
    )
    assert misses(referred).count("truth none; nothing could show it") > 10
    assert (tmp_path / "delivery/fleet/vehicles.csv").exists()
    assert len(list((tmp_path / "out").glob("2026-W*/vehicles.csv"))) == 2


def test_time_to_referral_runs_from_the_third_own_failure(world: World) -> None:
    """Days from the third failure to the end of the first week that refers afterwards; earlier words do not count."""
    third = (
        vehicle_truth(world, END)
        .filter("identifiable")
        .drop_nulls("third_at")
        .sort("third_at")
        .tail(1)
    )
    name, at = third["vehicle_id"][0], third["third_at"][0]
    ends = [at - timedelta(days=3), at + timedelta(days=4), at + timedelta(days=11), END]
    said = ["refer", "watch", "refer", "refer"]
    weeks = [
        Published(end, pl.DataFrame({"vehicle_id": [name], "call": [call]}))
        for end, call in zip(ends, said, strict=True)
    ]
    rows = referral_times(world, weeks).filter(pl.col("vehicle_id") == name)
    assert rows["said_days"].to_list() == pytest.approx([11.0])
    assert timing_figures(rows)["referred_in_that_week"] == 0.0


def test_the_command_prints_json_and_knows_its_worlds() -> None:
    """`evaluate --from-logs --json` prints one object a world and size; an unknown world is told with those there are."""
    runner = CliRunner()
    arguments = [
        "evaluate",
        "--from-logs",
        "--fleet",
        "16x8x1",
        "--weeks",
        "3",
        "--first-seed",
        "3",
    ]
    done = runner.invoke(main, [*arguments, "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told[0]["world"].startswith("standard, 16 vehicles x 8 EVSEs x 3 weeks")
    wrong = runner.invoke(main, [*arguments, "--world", "nowhere"])
    assert wrong.exit_code == 2
    assert "standard" in wrong.output

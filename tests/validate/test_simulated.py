"""From a simulated delivery to validation.

Spotless logs raise no reject or distrust, planted impossibilities are found.
"""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.ingest import ingest_delivery
from pipeline.normalise import normalise
from pipeline.settings import Settings
from pipeline.storage.warehouse import read
from pipeline.validate import validate
from sample_logs.generator import simulate
from sample_logs.second_world import WORLDS
from sample_logs.second_world import simulate as simulate_second

from .worlds import new

FOUND_BY = {
    "register_backwards": ("meter_stop_below_start", "register_backwards"),
    "register_leap": ("meter_leap", "register_leap", "energy_absurd", "energy_above_rating"),
    "closed_in_b": ("contactor_closed_in_b", "contactor_slow_to_open"),
    "level_out_of_range": ("level_beyond_supply",),
    "duty_forbidden": ("duty_means_no_charging",),
}
"""The simulator's kinds (sample_logs/generator/emit/impossible.py), and the rules that name them."""
OF_FAULTS_AND_LISTS = {
    "token_conflict", "attempt_in_token_conflict", "token_not_listed", "level_a", "level_b", "level_c", "low_side_off_in_a2",
    "f_not_minus_12_low", "contactor_late", "contactor_closed_in_a", "contactor_closed_in_b", "vehicle_stay_not_seen",
}  # fmt: skip
"""Notes that a spotless world may raise: its token list has a conflict and visitors, its faulty EVSEs are faulty, its exports
leave out what ended at once."""


def delivered(folder: Path, dirt: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    """core_impossible and core_attempt of a simulated world of 40 vehicles at 20 EVSEs in 3 weeks."""
    simulate(folder, 40, 20, 3, 7, dirt=dirt)
    return read_in(folder)


def read_in(folder: Path) -> tuple[pl.DataFrame, pl.DataFrame]:
    """core_impossible and core_attempt of a delivery."""
    con, settings = new(), Settings()
    ingest_delivery(con, folder / "delivery", settings.ingest)
    normalise(con, None, settings.normalise)
    validate(con, settings.validate_)
    return read(con, "core_impossible"), read(con, "core_attempt")


def test_spotless_logs_keep_their_weight(tmp_path: Path) -> None:
    """No attempt of a world without dirt is rejected or distrusted, and nothing but faults and
    lists is noted.
    """
    impossible, attempts = delivered(tmp_path, 0.0)
    assert attempts.height > 500
    assert attempts["weight"].unique().to_list() == [1.0]
    assert set(impossible["rule"]) <= OF_FAULTS_AND_LISTS


def test_the_second_world_without_faults_raises_nothing(tmp_path: Path) -> None:
    """Whoever wrote it had not read the rules: nothing but stays that no EVSE told of is noted, and all keep their weight."""
    simulate_second(tmp_path, 40, 20, 3, 3, WORLDS["no_fault"])
    impossible, attempts = read_in(tmp_path)
    assert attempts.height > 200
    assert attempts["weight"].unique().to_list() == [1.0]
    assert set(impossible["rule"]) <= {"vehicle_stay_not_seen"}


def test_planted_impossibilities_are_found(tmp_path: Path) -> None:
    """What the simulator planted is caught by the rule that names it, at its station.

    Nine in ten within 3 minutes of their time, all within a day: where a clock jumped, the
    corrected time is stated to be that unsure.
    """
    impossible, attempts = delivered(tmp_path, 3.0)
    planted = pl.read_csv(tmp_path / "truth" / "impossible.csv").with_columns(
        true_utc=pl.from_epoch("true_ms", "ms").dt.replace_time_zone("UTC").dt.cast_time_unit("us")
    )
    assert planted.height >= 20
    assert set(planted["kind"]) == set(FOUND_BY)
    assert found(planted, impossible, attempts, minutes=3) >= 0.9 * planted.height
    assert found(planted, impossible, attempts, minutes=24 * 60 + 3) == planted.height


def found(
    planted: pl.DataFrame, impossible: pl.DataFrame, attempts: pl.DataFrame, minutes: int
) -> int:
    """How many planted records a rule of their kind caught that near in time.

    To the record, or to its attempt.
    """
    names = pl.DataFrame(
        [(kind, rule) for kind, named in FOUND_BY.items() for rule in named],
        schema=["kind", "rule"],
        orient="row",
    )
    near = pl.duration(minutes=minutes)
    caught = (
        impossible.join(
            attempts.select("attempt_id", "plugged_at_utc", "unplugged_at_utc"),
            on="attempt_id",
            how="left",
        )
        .join(names, on="rule")
        .with_columns(
            from_utc=pl.min_horizontal("at_utc", "plugged_at_utc") - near,
            to_utc=pl.max_horizontal("at_utc", "unplugged_at_utc") + near,
        )
    )
    together = planted.with_row_index("number").join(caught, on=["station_id", "kind"])
    return together.filter(pl.col("true_utc").is_between("from_utc", "to_utc"))["number"].n_unique()

"""What findings do: results, weights, quarantine, rates, firmware-wide habits."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.measure.speed.validate import bench_validate
from pipeline.settings.validate import ValidateSettings
from pipeline.storage.warehouse import Connection, read
from pipeline.validate import rules, validate, validation_summary

from .cases import CASES, OPEN, SHUT, hour, pilot, start, statuses, stop
from .worlds import Row, World, warehouse

SETTINGS = ValidateSettings()


def results(con: Connection) -> dict[str, Row]:
    """core_rule_result by rule, after a run."""
    validate(con, SETTINGS)
    return {row["rule"]: row for row in read(con, "core_rule_result").to_dicts()}


def weights(con: Connection) -> dict[str, tuple[bool, float]]:
    """`distrust, weight` by attempt."""
    return {
        row["attempt_id"]: (row["distrust"], row["weight"])
        for row in read(con, "core_attempt").to_dicts()
    }


def test_every_rule_has_a_result_on_an_empty_warehouse() -> None:
    """Without data no rule is valid: each is not evaluated and says which table is empty."""
    with warehouse({"raw_frame": [], "raw_file": [], "core_evse": [], "core_vehicle": []}) as con:
        found = results(con)
    assert set(found) == set(rules())
    assert {row["rule_result"] for row in found.values()} == {"not_evaluated"}
    assert all("holds no row" in row["detail"] for row in found.values())


def test_not_evaluated_says_why() -> None:
    """A record in scope that lacks what the rule needs is counted.

    No record in scope is another reason.
    """
    with warehouse(pilot((0, "B2", OPEN))) as con:
        found = results(con)
    assert found["level_b"]["rule_result"] == "not_evaluated"
    assert found["level_b"]["not_judged"] == 1
    assert found["level_b"]["detail"] == "none of 1 records can be judged: needs high_v"
    assert found["level_c"]["detail"] == "no record of the kind the rule speaks of"


def test_records_that_cannot_be_judged_are_told_beside_a_verdict() -> None:
    """Some judged, some not: the result stands on the judged ones, the rest is counted."""
    with warehouse(pilot((0, "B2", OPEN, {"high_v": 9.0}), (60, "B2", OPEN))) as con:
        row = results(con)["level_b"]
    assert (row["rule_result"], row["checked"], row["offending"], row["not_judged"]) == (
        "valid",
        1,
        0,
        1,
    )
    assert row["detail"] == "1 records could not be judged: needs high_v"


@pytest.mark.parametrize("name", list(rules()))
def test_validate_agrees_with_the_rule_alone(name: str) -> None:
    """One pass for all rules gives each rule the counts and rows of its own SQL."""
    with warehouse(CASES[name].breaks) as con:
        alone = con.execute(rules()[name].checked_sql).fetchone()
        row = results(con)[name]
        listed = read(con, "core_impossible").filter(pl.col("rule") == name)
    assert (row["checked"], row["offending"], row["not_judged"]) == alone
    assert row["rule_result"] == "invalid"
    assert listed.height == row["offending"]
    assert set(listed["severity"]) == {rules()[name].severity}


def test_severity_decides_what_an_attempt_weighs() -> None:
    """Reject 0, distrust the setting, note and nothing 1.

    Rejected attempts stand in quarantine with their reason.
    """
    world = {
        "core_attempt": [
            hour(0),
            hour(7200, energy_kwh=-1.0),
            hour(14400, coupler="cCCS2"),
            hour(21600, time_doubt="fold"),
            hour(28800, energy_kwh=-1.0, coupler="cCCS2"),
        ]
    }
    with warehouse(world) as con:
        validate(con, SETTINGS)
        assert weights(con) == {
            "a0": (False, 1.0), "a7200": (True, 0.0), "a14400": (True, 0.5), "a21600": (False, 1.0), "a28800": (True, 0.0),
        }  # fmt: skip
        rejected = read(con, "core_impossible").filter(pl.col("severity") == "reject")
    assert rejected.select("rule", "attempt_id", "detail").rows() == [
        ("energy_negative", "a7200", "-1.0 kWh"),
        ("energy_negative", "a28800", "-1.0 kWh"),
    ]


def test_running_again_changes_nothing_and_forgives_what_was_mended() -> None:
    """Running it is idempotent; an attempt no rule catches any more weighs 1 again."""
    with warehouse({"core_attempt": [hour(0, energy_kwh=-1.0)]}) as con:
        validate(con, SETTINGS)
        first = [
            read(con, name)
            for name in ("core_impossible", "core_rule_result", "core_rule_station", "core_attempt")
        ]
        validate(con, SETTINGS)
        again = [
            read(con, name)
            for name in ("core_impossible", "core_rule_result", "core_rule_station", "core_attempt")
        ]
        for before, after in zip(first, again, strict=True):
            assert before.equals(after)
        con.execute("UPDATE core_attempt SET energy_kwh = 1")
        validate(con, SETTINGS)
        assert weights(con) == {"a0": (False, 1.0)}


def test_a_caught_record_finds_its_attempt_by_transaction_or_time() -> None:
    """Pilot rows by time on their connector, transactions by their id.

    A record between attempts belongs to none.
    """
    world: World = {
        **pilot((60, "B1", OPEN, {"duty_pct": 50.0}), (5000, "B1", OPEN, {"duty_pct": 50.0})),
        "core_attempt": [hour(0, transaction_id="1"), hour(7200)],
        "core_signal": [start(9000, meter_wh=5.0), stop(9001, meter_wh=4.0)],
    }
    with warehouse(world) as con:
        validate(con, SETTINGS)
        found = read(con, "core_impossible").select("rule", "attempt_id").rows()
        assert sorted(found, key=str) == [
            ("meter_stop_below_start", "a0"),
            ("pwm_while_off", "a0"),
            ("pwm_while_off", None),
        ]
        assert weights(con) == {"a0": (True, 0.5), "a7200": (False, 1.0)}


def fleet(
    caught: dict[str, list[int]], stations: dict[str, int], *, name: str = "EVCommunicationError"
) -> World:
    """Stations s<firmware>-<n>, each with 10 Faulted statuses.

    At those in `caught` with an error code they may not have.
    """
    evses: list[Row] = []
    signals: list[Row] = []
    for firmware, count in stations.items():
        for n in range(count):
            station = f"s{firmware}-{n}"
            evses.append({"evse_id": station, "station_id": station, "firmware": firmware})
            code = name if n in caught.get(firmware, []) else "OtherError"
            rows = [
                {
                    "at_utc": 60 * i,
                    "status": "Faulted" if i % 2 else "Available",
                    "error_code": code if i % 2 else "NoError",
                }
                for i in range(20)
            ]
            signals += [{**row, "station_id": station, "evse_id": station} for row in rows]
    return {"core_evse": evses, "core_signal": signals}


def caught_by(world: World, rule: str) -> tuple[pl.DataFrame, pl.DataFrame, Row]:
    """Rows of core_impossible, of core_rule_firmware, and the result of one rule."""
    with warehouse(world) as con:
        result = results(con)[rule]
        named = [
            read(con, table).filter(pl.col("rule") == rule)
            for table in ("core_impossible", "core_rule_firmware")
        ]
    return named[0], named[1], result


def test_a_whole_firmware_is_reported_once() -> None:
    """A rule that fires on all stations of one firmware and on none of another gives one row with
    the counts; nothing is lost.
    """
    rows, firmwares, result = caught_by(
        fleet({"2.0": [0, 1, 2, 3]}, {"1.0": 4, "2.0": 4}), "ev_communication_error_status"
    )
    assert rows.height == 1
    assert rows["station_id"].to_list() == [None]
    assert (
        "firmware 2.0 of Post M as a whole, reported once: 40 records at 4 stations"
        in rows["detail"][0]
    )
    assert result["offending"] == 40
    assert result["detail"].endswith("1 firmware as a whole")
    assert firmwares.filter("whole_firmware").select(
        "firmware", "stations", "stations_caught", "offending"
    ).rows() == [("2.0", 4, 4, 40)]


def test_single_stations_are_reported_singly() -> None:
    """Some stations of a firmware, or too few to show its habit, stay rows of their own."""
    some, firmwares, _ = caught_by(
        fleet({"2.0": [0, 1]}, {"1.0": 4, "2.0": 4}), "ev_communication_error_status"
    )
    assert some.height == 20
    assert not firmwares["whole_firmware"].any()
    few, firmwares, _ = caught_by(
        fleet({"2.0": [0, 1]}, {"1.0": 4, "2.0": 2}), "ev_communication_error_status"
    )
    assert few.height == 20
    assert not firmwares["whole_firmware"].any()


def test_what_fires_everywhere_is_no_firmwares_habit() -> None:
    """A rule that catches as much elsewhere (single stations of other firmwares) does not make a
    whole firmware.
    """
    world = fleet({"2.0": [0, 1, 2], "1.0": [0, 1, 2, 3, 4, 5, 6]}, {"1.0": 10, "2.0": 3})
    rows, firmwares, _ = caught_by({**world}, "faulted_without_code")
    assert rows.is_empty()
    world = fleet(
        {"2.0": [0, 1, 2], "1.0": [0, 1, 2, 3, 4, 5, 6]}, {"1.0": 10, "2.0": 3}, name="NoError"
    )
    rows, firmwares, _ = caught_by(world, "faulted_without_code")
    assert rows.height == 100
    assert not firmwares["whole_firmware"].any()


def test_firmware_in_force_at_the_time_decides() -> None:
    """A record counts for the firmware its station's BootNotification named before it, not for
    today's.
    """
    world = fleet({}, {"2.0": 3})
    world["core_firmware"] = [
        {"station_id": f"s2.0-{n}", "valid_from_utc": t, "firmware": firmware}
        for n in range(3)
        for t, firmware in ((-60, "1.9"), (600, "2.0"))
    ]
    _, firmwares, _ = caught_by(world, "faulted_without_code")
    assert firmwares.select("firmware", "stations", "checked").rows() == [
        ("1.9", 3, 15),
        ("2.0", 3, 15),
    ]


def test_rejected_records_are_always_listed_singly() -> None:
    """A rejected attempt must be found with its reason, however many of its firmware share it."""
    attempts = [
        hour(
            7200 * i + n,
            station_id=f"s{n}",
            evse_id=f"s{n}",
            energy_kwh=-1.0,
            vehicle_id=None,
            id_token=None,
        )
        for n in range(3)
        for i in range(2)
    ]
    world: World = {
        "core_evse": [{"evse_id": f"s{n}", "station_id": f"s{n}"} for n in range(3)],
        "core_attempt": attempts,
    }
    rows, firmwares, _ = caught_by(world, "energy_negative")
    assert rows.height == 6
    assert firmwares["whole_firmware"].all()


def test_summary_tells_rules_stations_firmware_and_equipment() -> None:
    """The frames the page shows hold every rule, the rates that add up, and the least trusted
    station first.
    """
    world = {**fleet({"2.0": [0, 1, 2, 3]}, {"1.0": 4, "2.0": 4})}
    world["core_attempt"] = [hour(0, station_id="s1.0-1", evse_id="s1.0-1", energy_kwh=-1.0)]
    with warehouse(world) as con:
        validate(con, SETTINGS)
        summary = validation_summary(con)
    assert set(summary) == {"rules", "families", "stations", "firmware", "equipment"}
    assert summary["rules"].height == len(rules())
    assert summary["families"]["rules"].sum() == len(rules())
    assert (
        summary["rules"]["offending"].sum()
        == summary["stations"]["offending"].sum()
        == summary["firmware"]["offending"].sum()
    )
    assert summary["firmware"]["whole_firmware"][0]
    assert summary["equipment"].row(0, named=True)["station_id"] == "s1.0-1"
    assert summary["equipment"].height == 8
    assert (
        summary["rules"].filter(pl.col("checked") == 0)["rate"].null_count()
        == summary["rules"].filter(pl.col("checked") == 0).height
    )


def test_evidence_of_faults_never_lowers_an_attempts_weight() -> None:
    """A shorted diode, a welded or late contactor, a residual current trip.

    Noted at the most, used in full (derived levels).
    """
    b_level, c_level = ({"high_v": v, "low_v": -v, "duty_pct": 26.67} for v in (8.79, 5.62))
    shorted = [
        (10, "B1", OPEN, {"high_v": 8.79}),
        (20, "B2", OPEN, b_level),
        (30, "C2", OPEN, c_level),
        (40, "E", OPEN),
    ]
    welded = [(50, "A1", OPEN), (60, "B1", SHUT, {"high_v": 9.0}), (70, "A1", SHUT)]
    said = (
        ("Preparing", "NoError"),
        ("Faulted", "GroundFailure"),
        ("Faulted", "EVCommunicationError"),
    )
    failed = hour(
        0, outcome="failed", stage="requested", energy_kwh=0.0, early_b=True, stage_seconds=20.0
    )
    world: World = {
        **pilot((0, "A1", OPEN), *shorted, *welded),
        **statuses(*said),
        "core_attempt": [failed],
    }
    with warehouse(world) as con:
        validate(con, SETTINGS)
        assert weights(con) == {"a0": (False, 1.0)}
        noted = set(read(con, "core_impossible")["rule"])
    assert {
        "contactor_late",
        "contactor_closed_in_a",
        "contactor_closed_in_b",
        "ev_communication_error_status",
    } <= noted


def test_the_benchmark_measures_a_valid_warehouse() -> None:
    """What the benchmark fills judges records and is timed both ways (how fast is the benchmark's
    own business).
    """
    timing = bench_validate(1_700)
    assert timing.rows == 1_700
    assert timing.validate_s > 0
    assert timing.overhead == timing.validate_s / timing.bare_s


def register(samples: list[tuple[float, float]], stop_wh: float, set_back_s: float = 0.0) -> World:
    """A transaction whose start was lost: register samples (second, Wh) and a stop a minute after
    the last.

    `set_back_s`: the station's clock is set back by so much before the stop.
    """
    same = {
        "transaction_id": "1",
        "connector_id": 1,
        "measurand": "Energy.Active.Import.Register",
        "unit": "Wh",
    }
    t = samples[-1][0] + 60
    said = {"file_id": "f", "line": 9, "transaction_id": "1", "meter_wh": stop_wh}
    return {
        "raw_sample": [
            {"receiver_at_utc": s, "station_at_utc": s, "sample_value": wh, **same}
            for s, wh in samples
        ],
        "raw_frame": [
            {
                "receiver_at_utc": t,
                "station_at_utc": t - set_back_s,
                "action": "StopTransaction",
                **said,
            }
        ],
        "core_signal": [{"at_utc": t, "action": "StopTransaction", **said}],
    }


@pytest.mark.parametrize(
    ("stop_wh", "rule"),
    [(901_000.0, "register_leap"), (500.0, "register_backwards"), (1_300.0, None)],
)
def test_the_register_at_the_stop_is_held_against_the_last_sample(
    stop_wh: float, rule: str | None
) -> None:
    """Where the start was lost the samples still tell a leap or a fall at the stop.

    EVSE of 22 kW, a minute: 0.37 kWh at most.
    """
    with warehouse(register([(0, 700.0), (60, 1_000.0)], stop_wh)) as con:
        found = results(con)
    fired = {name for name in ("register_leap", "register_backwards") if found[name]["offending"]}
    assert fired == ({rule} if rule else set())


def test_a_clock_set_back_makes_no_leap() -> None:
    """The time between two readings is the receiver's where the station's clock says less.

    Nothing rose too fast.
    """
    with warehouse(register([(0, 700.0), (3600, 20_000.0)], 20_300.0, set_back_s=3600)) as con:
        assert results(con)["register_leap"]["offending"] == 0
    lost = register([(0, 700.0)], 20_000.0, set_back_s=3600)
    lost["raw_frame"][0]["receiver_at_utc"] = lost["core_signal"][0]["at_utc"] = 3600
    lost["raw_frame"][0]["station_at_utc"] = 1
    with warehouse(lost) as con:
        assert results(con)["register_leap"]["offending"] == 0

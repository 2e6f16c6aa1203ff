"""Energy from registers, worked by hand in Wh."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from pipeline.normalise.attempts.energy import (
    INTERVAL,
    after,
    flow,
    intervals,
    of_plug_ins,
    sampled_flow,
)
from pipeline.normalise.attempts.registers import REGISTER, following, of_steps, readings, steps
from pipeline.settings.energy import EnergySettings
from tests.normalise.rows import frame, seconds_of

SIGNAL = ("plug_in", "transaction_id", "at_utc", "action", "event_type", "meter_wh")
SAMPLE = (
    "plug_in", "transaction_id", "at_utc", "measurand", "location", "unit", "phase", "sample_context", "sample_value",
)  # fmt: skip
HOUR = 3600.0
ENERGY = EnergySettings()


def metered(register: pl.DataFrame, plug_ins: pl.DataFrame) -> pl.DataFrame:
    """Energy by registers alone."""
    return of_steps(steps(register, plug_ins, ENERGY), ENERGY)


PLAIN = {"measurand": REGISTER, "location": "Outlet", "sample_context": "Sample.Periodic"}
"""What OCPP 1.6 means where it is left out; ingest fills it in."""


def read(signals: list[dict[str, Any]], samples: list[dict[str, Any]]) -> list[tuple[Any, ...]]:
    """Readings as (transaction, second, Wh, closing), in order."""
    told = frame(samples, *SAMPLE, plug_in=1, **PLAIN)
    made = readings(frame(signals, *SIGNAL, plug_in=1), told).sort(
        "plug_in", "at_utc", "register_wh"
    )
    return list(
        zip(
            made["transaction_id"],
            seconds_of(made["at_utc"]),
            made["register_wh"],
            made["closing"],
            strict=True,
        )
    )


def test_registers_stand_in_starts_stops_and_samples() -> None:
    """Start and stop of a transaction, events, samples of the register.

    A stop, an Ended and Transaction.End close it.
    """
    signals = [
        {"at_utc": 0, "action": "StartTransaction", "meter_wh": 1.0, "transaction_id": "t"},
        {"at_utc": 50, "action": "StopTransaction", "meter_wh": 6.0, "transaction_id": "t"},
        {
            "at_utc": 20,
            "action": "TransactionEvent",
            "event_type": "Updated",
            "meter_wh": 3.0,
            "transaction_id": "t",
        },
        {
            "at_utc": 60,
            "action": "TransactionEvent",
            "event_type": "Ended",
            "meter_wh": 7.0,
            "transaction_id": "t",
        },
        {"at_utc": 5, "action": "StatusNotification", "meter_wh": 9.0, "transaction_id": "t"},
        {"at_utc": 6, "action": "StopTransaction", "transaction_id": "t"},
    ]
    samples = [
        {
            "at_utc": 30,
            "sample_value": 4.0,
            "transaction_id": "t",
            "sample_context": "Sample.Periodic",
        },
        {
            "at_utc": 40,
            "sample_value": 5.0,
            "transaction_id": "t",
            "sample_context": "Transaction.End",
        },
    ]
    want = [
        ("t", 0, 1.0, False),
        ("t", 20, 3.0, False),
        ("t", 30, 4.0, False),
        ("t", 40, 5.0, True),
        ("t", 50, 6.0, True),
    ]
    assert read(signals, samples) == [*want, ("t", 60, 7.0, True)]


@pytest.mark.parametrize(
    ("sample", "wh"),
    [
        ({}, [5.0]),
        ({"unit": "kWh"}, [5000.0]),
        ({"measurand": REGISTER, "unit": "Wh"}, [5.0]),
        ({"measurand": "Energy.Active.Import.Interval"}, []),
        ({"location": "Outlet"}, [5.0]),
        ({"location": "Inlet"}, []),
        ({"sample_value": None}, []),
        ({"phase": "L1"}, [5.0]),
        ({"phase": "N"}, []),
        ({"phase": "L1-L2"}, []),
    ],
)
def test_which_samples_are_the_register(sample: dict[str, Any], wh: list[float]) -> None:
    """OCPP 1.6: omitted means the import register at the outlet in Wh.

    Phases to neutral add up, between phases they do not.
    """
    assert [
        row[2]
        for row in read([], [{"at_utc": 0, "sample_value": 5.0, "transaction_id": "t"} | sample])
    ] == wh


def test_phases_add_up_where_no_whole_is_given() -> None:
    """Three phases of one instant are one reading.

    Beside a whole register they are left out, in that plug-in only.
    """
    phases = [
        {"at_utc": 0, "sample_value": v, "phase": p, "transaction_id": "t"}
        for p, v in (("L1", 1.0), ("L2", 2.0), ("L3", 4.0))
    ]
    assert read([], phases) == [("t", 0, 7.0, False)]
    assert read([], [*phases, {"at_utc": 0, "sample_value": 9.0, "transaction_id": "t"}]) == [
        ("t", 0, 9.0, False)
    ]
    assert (None, 0, 9.0, False) in read(
        [], [*phases, {"at_utc": 0, "sample_value": 9.0, "plug_in": 2}]
    )
    ending = [
        row | {"sample_context": "Transaction.End" if row["phase"] == "L2" else "Sample.Periodic"}
        for row in phases
    ]
    assert read([], ending) == [("t", 0, 7.0, True)]


def test_a_reading_without_transaction_is_of_the_only_one() -> None:
    """One transaction named: it is that one's; two: of neither; none at all.

    They belong together.
    """
    loose = {"at_utc": 5, "sample_value": 2.0}
    one = {"at_utc": 0, "action": "StartTransaction", "meter_wh": 1.0, "transaction_id": "t"}
    assert [row[0] for row in read([one], [loose])] == ["t", "t"]
    assert [row[0] for row in read([one, one | {"transaction_id": "u", "at_utc": 1}], [loose])] == [
        "t",
        "u",
    ]
    assert [row[0] for row in read([], [loose])] == [None]


PLUG_INS = [
    {"plug_in": 1, "evse_id": "e", "from_utc": 0, "bound_utc": 4 * HOUR, "limit_kw": 10.0},
    {"plug_in": 2, "evse_id": "e", "from_utc": 5 * HOUR, "bound_utc": 6 * HOUR, "limit_kw": None},
]


def told(
    *rows: tuple[float, float, bool | None],
    plug_ins: list[dict[str, Any]] | None = None,
    **usual: Any,
) -> dict[str, Any] | None:
    """Energy of plug-in 1 from readings (second, Wh, closing)."""
    register = frame(
        [{"at_utc": t, "register_wh": wh, "closing": closing} for t, wh, closing in rows],
        "plug_in", "transaction_id", "at_utc", "register_wh", "closing", **({"plug_in": 1, "transaction_id": "t"} | usual),
    )  # fmt: skip
    made = metered(register, frame(plug_ins or PLUG_INS)).filter(pl.col("plug_in") == 1)
    return made.row(0, named=True) if len(made) else None


def energy(*rows: tuple[float, float, bool | None]) -> float | None:
    """The energy alone."""
    row = told(*rows)
    return None if row is None else row["metered_kwh"]


def test_energy_is_what_the_register_rose_by() -> None:
    """From the first to the highest; delivering began with the first whole watt-hour."""
    row = told(
        (0, 1000.0, False),
        (10, 1000.5, False),
        (20, 1001.0, False),
        (HOUR, 6000.0, False),
        (HOUR + 9, 6000.0, True),
    )
    assert row is not None
    assert (row["metered_kwh"], row["partial"]) == (5.0, False)
    assert seconds_of(pl.Series([row["delivering_utc"]])) == [20]


def test_one_reading_alone_tells_nothing() -> None:
    """With no second reading the energy is not known."""
    assert energy((0, 1000.0, False)) is None
    assert energy((0, 1000.0, False), (HOUR, 900.0, True)) is None


def test_a_leap_beyond_the_rating_does_not_count() -> None:
    """10 kW with a fifth over for an hour, and 0.2 kWh to spare: 12.2 kWh at most.

    Without a rating 400 kW.
    """
    most = 1000.0 * (10.0 * 1.2 + 0.2)
    assert energy((0, 0.0, False), (HOUR, most, True)) == pytest.approx(12.2)
    assert energy((0, 0.0, False), (HOUR, most + 1, True)) is None
    assert energy((0, 0.0, False), (HOUR / 2, 3000.0, False), (HOUR, most + 1, True)) == 3.0
    open_ = [PLUG_INS[0] | {"limit_kw": None}]
    largest = 1000.0 * (400.0 * 1.2 + 0.2)
    assert told((0, 0.0, False), (HOUR, largest, True), plug_ins=open_) is not None
    assert told((0, 0.0, False), (HOUR, largest + 1, True), plug_ins=open_) is None


def test_without_a_reading_at_the_end_the_energy_is_partial() -> None:
    """Samples only: at least so much was delivered, perhaps more."""
    row = told((0, 0.0, False), (HOUR, 3000.0, False))
    assert row is not None
    assert (row["metered_kwh"], row["partial"]) == (3.0, True)


def test_two_transactions_add_up() -> None:
    """Each by its own start; the plug-in is partial where one of them is.

    Delivering began with the first.
    """
    rows = [
        {"at_utc": 0, "register_wh": 0.0, "closing": False, "transaction_id": "t"},
        {"at_utc": 600, "register_wh": 1000.0, "closing": True, "transaction_id": "t"},
        {"at_utc": 900, "register_wh": 1000.0, "closing": False, "transaction_id": "u"},
        {"at_utc": 1800, "register_wh": 1500.0, "closing": False, "transaction_id": "u"},
    ]
    columns = ("plug_in", "transaction_id", "at_utc", "register_wh", "closing")
    row = metered(frame(rows, *columns, plug_in=1), frame(PLUG_INS)).row(0, named=True)
    assert (row["metered_kwh"], row["partial"]) == (1.5, True)
    assert seconds_of(pl.Series([row["delivering_utc"]])) == [600]


def chained(
    first: list[tuple[float, float, bool]], second: float, start: float = 5 * HOUR
) -> pl.DataFrame:
    """Readings of plug-in 1 and the first of plug-in 2, which starts at `start`."""
    rows = [
        {"plug_in": 1, "transaction_id": "t", "at_utc": t, "register_wh": wh, "closing": c}
        for t, wh, c in first
    ]
    after = {
        "plug_in": 2,
        "transaction_id": "u",
        "at_utc": start,
        "register_wh": second,
        "closing": False,
    }
    plug_ins = frame([PLUG_INS[0], PLUG_INS[1] | {"from_utc": start}])
    return metered(frame([*rows, after]), plug_ins).filter(pl.col("plug_in") == 1)


def test_the_next_sessions_first_register_stands_for_a_missing_last_one() -> None:
    """Where no reading at the end is known and the register had risen.

    Within a day, at one EVSE.
    """
    rose, only = [(0.0, 0.0, False), (HOUR, 3000.0, False)], [(0.0, 0.0, False)]
    made = chained(rose, 5000.0).row(0, named=True)
    assert (made["metered_kwh"], made["partial"]) == (5.0, False)
    assert chained(only, 5000.0)["metered_kwh"].to_list() == [5.0]
    assert chained(only, 0.5)["metered_kwh"].to_list() == []
    assert chained([*rose, (2 * HOUR, 4000.0, True)], 5000.0)["metered_kwh"].to_list() == [4.0]
    bound = 4 * HOUR
    assert chained(rose, 5000.0, bound + 24 * HOUR)["metered_kwh"].to_list() == [5.0]
    assert chained(rose, 5000.0, bound + 24 * HOUR + 1)["metered_kwh"].to_list() == [3.0]


def test_the_reading_that_follows_stands_at_the_end_of_the_one_before() -> None:
    """At the later of its last reading and its bound, of its last transaction.

    Other EVSEs do not follow each other.
    """
    columns = ("plug_in", "transaction_id", "at_utc", "register_wh", "closing")
    rows = [(1, "t", 0, 1.0), (1, "u", 9, 2.0), (2, "w", 5 * HOUR, 7.0)]
    register = frame([dict(zip(columns, row, strict=False)) for row in rows], *columns)
    found = following(register, frame(PLUG_INS), ENERGY)
    assert found.select("plug_in", "transaction_id", "register_wh", "closing").rows() == [
        (1, "u", 7.0, None)
    ]
    assert seconds_of(found["at_utc"]) == [4 * HOUR]
    late = following(register, frame([PLUG_INS[0] | {"bound_utc": 5}, PLUG_INS[1]]), ENERGY)
    assert seconds_of(late["at_utc"]) == [9]
    assert following(
        register, frame([PLUG_INS[0], PLUG_INS[1] | {"evse_id": "f"}]), ENERGY
    ).is_empty()
    assert following(register.filter(pl.col("plug_in") == 2), frame(PLUG_INS), ENERGY).is_empty()
    assert following(register.filter(pl.col("plug_in") == 1), frame(PLUG_INS), ENERGY).is_empty()


@pytest.mark.parametrize(
    ("measurand", "unit", "value", "flows"),
    [
        ("Power.Active.Import", "W", 100.0, True),
        ("Power.Active.Import", "W", 99.0, False),
        ("Power.Active.Import", "kW", 0.1, True),
        ("Power.Active.Import", "kW", 0.09, False),
        ("Current.Import", "A", 1.0, True),
        ("Current.Import", "A", 0.9, False),
        ("Voltage", "V", 230.0, False),
    ],
)
def test_what_flows_is_more_than_the_meters_noise(
    measurand: str, unit: str, value: float, *, flows: bool
) -> None:
    """From 100 W or 1 A on; common practice, no source."""
    rows = [
        {"at_utc": t, "measurand": measurand, "unit": unit, "sample_value": value} for t in (9, 5)
    ]
    found = sampled_flow(frame(rows, *SAMPLE, plug_in=1), ENERGY)
    assert seconds_of(found["flow_utc"]) == [5 if flows else None]


def test_the_last_state_of_charge_counts() -> None:
    """Of several, the latest in time."""
    rows = [{"at_utc": t, "measurand": "SoC", "sample_value": v} for t, v in ((9, 80.0), (5, 60.0))]
    found = sampled_flow(frame(rows, *SAMPLE, plug_in=1), ENERGY)
    assert found.select("soc_plug_pct", "soc_leave_pct").rows() == [(60.0, 80.0)]


@pytest.mark.parametrize(
    ("rows", "kwh"),
    [
        ([(0, 999_000, False), (600, 999_900, False), (1200, 500, False), (HOUR, 3000, True)], 4.0),
        ([(0, 99_998_000, False), (HOUR, 4000, True)], 6.0),
        ([(0, 9_999_000, False), (HOUR, 1000, True)], 2.0),
        ([(0, 1000, False), (HOUR, 5000, False), (HOUR + 60, 0, False), (2 * HOUR, 3000, True)], 7.0),
        ([(0, 950_000, False), (HOUR, 3000, True)], 3.0),
        ([(0, 5000, False), (600, 5500, False), (660, 0, False), (720, 5600, True)], 0.6),
        ([(0, 5000, False), (600, 5500, False), (660, 90_000, False), (720, 5600, True)], 0.6),
        ([(0, 5000, False), (600, 5500, False), (HOUR, 0, True)], 0.5),
        ([(0, 5000, False), (HOUR, 0, True)], None),
        ([(0, 5000, False), (HOUR, 4000, True)], None),
    ],
    ids=["10^6", "10^8, ends only", "10^7", "restart", "restart, ends only", "a lone nought", "a lone leap", "a stop's nought",
         "a stop's nought alone", "a fall"],
)  # fmt: skip
def test_energy_is_the_sum_of_forward_steps(
    rows: list[tuple[float, float, bool | None]], kwh: float | None
) -> None:
    """Over the end of the digits and after a restart from zero; a lone reading off the line is none (facts, H5)."""
    assert energy(*rows) == (None if kwh is None else pytest.approx(kwh))


def sampled(*rows: tuple[float, str, float, str], **usual: Any) -> pl.DataFrame:
    """Samples (second, measurand, value, unit) of plug-in 1."""
    told_ = [{"at_utc": t, "measurand": m, "sample_value": v, "unit": u} for t, m, v, u in rows]
    return frame(told_, *SAMPLE, **({"plug_in": 1} | PLAIN | usual))


def test_intervals_add_up_once() -> None:
    """Periods and clock-aligned intervals tell the same energy twice: the fuller series counts."""
    period = sampled((900, INTERVAL, 2500, "Wh"), (1800, INTERVAL, 1.5, "kWh"))
    assert intervals(period)["kwh"].to_list() == [2.5, 4.0]
    clock = sampled((1800, INTERVAL, 3000, "Wh"), sample_context="Sample.Clock")
    assert intervals(pl.concat([period, clock]))["kwh"].to_list() == [2.5, 4.0]
    begin = sampled((0, INTERVAL, 9, "Wh"), sample_context="Transaction.Begin")
    assert intervals(begin).is_empty()


def test_power_over_time_is_energy() -> None:
    """10 kW for a quarter of an hour is 2.5 kWh (derived); current at 230 V where there is no power; an hour at most."""
    power = "Power.Active.Import"
    found = flow(sampled((0, power, 10_000, "W"), (900, power, 10, "kW")), ENERGY)
    assert found["kwh"].to_list() == [0.0, pytest.approx(2.5)]
    amps = flow(sampled((0, "Current.Import", 10, "A"), (1800, "Current.Import", 10, "A")), ENERGY)
    assert amps["kwh"].to_list() == [0.0, pytest.approx(1.15)]
    late = flow(sampled((0, power, 1000, "W"), (9 * HOUR, power, 1000, "W")), ENERGY)
    assert late["kwh"].to_list()[-1] == pytest.approx(1.0)


def test_registers_that_stand_still_while_current_flows_are_none() -> None:
    """Then the intervals count, else power; a register that moved goes before both."""
    ends = frame(
        [
            {"at_utc": 0, "action": "StartTransaction", "meter_wh": 0.0},
            {"at_utc": HOUR, "action": "StopTransaction", "meter_wh": 0.0},
        ],
        *SIGNAL, plug_in=1, transaction_id="t",
    )  # fmt: skip
    power = sampled((0, "Power.Active.Import", 1000, "W"), (HOUR, "Power.Active.Import", 1000, "W"))
    told_ = sampled((1800, INTERVAL, 700, "Wh"))
    plug_ins = frame(PLUG_INS)

    def kwh(samples: pl.DataFrame, signals: pl.DataFrame = ends) -> float:
        return float(of_plug_ins(signals, samples, plug_ins, ENERGY).totals["metered_kwh"].item())

    assert kwh(power) == pytest.approx(1.0)
    assert kwh(pl.concat([power, told_])) == pytest.approx(0.7)
    assert kwh(power.clear()) == 0.0
    moved = ends.with_columns(meter_wh=pl.Series([0.0, 300.0]))
    assert kwh(pl.concat([power, told_]), moved) == pytest.approx(0.3)


def test_what_came_after_a_moment_is_the_least_it_can_be() -> None:
    """Between two readings all may have come before, as far as 10 kW and a fifth allow: 2 kWh in ten minutes (derived)."""
    curve = frame([{"at_utc": 0, "kwh": 0.0}, {"at_utc": HOUR, "kwh": 8.0}], plug_in=1)
    moments = frame([{"at_utc": t} for t in (-10, 600, HOUR, HOUR + 10)], plug_in=1)
    found = after(moments, curve, frame(PLUG_INS), ENERGY)["after_kwh"].to_list()
    assert found == [pytest.approx(8.0), pytest.approx(6.0), 0.0, 0.0]
    assert (
        after(moments.with_columns(plug_in=pl.lit(2, pl.Int64)), curve, frame(PLUG_INS), ENERGY)[
            "after_kwh"
        ].to_list()
        == [None] * 4
    )

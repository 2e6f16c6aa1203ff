"""The vehicle's side and exports, step by step.

What belongs to which attempt, and who an unknown vehicle was.
"""

# ruff: noqa: S106, S107

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from pipeline.normalise.attempts import attempt_rows
from pipeline.normalise.incremental import attempt_rebuild
from pipeline.normalise.sessions import exports, reported_plug_ins, telematics
from pipeline.registry import polars_schema
from pipeline.settings.normalise import NormaliseSettings
from tests.normalise.rows import frame, seconds_of
from tests.normalise.world import at

SETTINGS = NormaliseSettings()
HOUR = 3600.0
REPORT = ("at_utc", "vehicle_id", "event", "inlet", "soc_pct", "file_id", "line", "time_doubt")


def reports(*rows: tuple[float, str], **usual: Any) -> pl.DataFrame:
    """Reports (second, event) of vehicle v."""
    listed = [{"at_utc": t, "event": event, "line": k} for k, (t, event) in enumerate(rows)]
    return frame(listed, *REPORT, **({"vehicle_id": "v", "file_id": "f"} | usual))


def test_a_vehicles_plug_in_reaches_from_plugged_to_unplugged() -> None:
    """A second 'plugged' begins another though no 'unplugged' was told.

    What it said within is its own.
    """
    told = reports(
        (0, "plugged"),
        (5, "charge_started"),
        (9, "charge_fault"),
        (20, "unplugged"),
        (25, "charge_fault"),
        (30, "plugged"),
        (40, "plugged"),
    )
    told = told.with_columns(inlet=pl.Series([None, "cType2", "cCCS2", None, "x", None, None]))
    found = telematics.vehicle_spans(told, SETTINGS)
    assert seconds_of(found["from_utc"]) == [0, 30, 40]
    assert seconds_of(found["to_utc"]) == [20, None, None]
    assert seconds_of(found["seen_utc"]) == [9, 30, 40]
    assert found["export_fault"].to_list() == [True, False, False]
    assert found["inlet"].to_list() == ["cType2", None, None]
    assert found["vehicle_id"].to_list() == ["v", "v", "v"]
    at_the_end = telematics.vehicle_spans(
        reports((0, "plugged"), (20, "charge_fault"), (20, "unplugged")), SETTINGS
    )
    assert at_the_end["export_fault"].to_list() == [True]


ATTEMPT = (
    "attempt_id",
    "evse_id",
    "vehicle_id",
    "vehicle_known_by",
    "source",
    "plugged_at_utc",
    "unplugged_at_utc",
    "seen_utc",
    "soc_plug_pct",
    "soc_leave_pct",
)


def tried(*rows: dict[str, Any]) -> pl.DataFrame:
    """Attempts a, b, … of vehicle v at EVSE e."""
    usual = {"evse_id": "e", "vehicle_id": "v", "source": "ocpp16"}
    made = frame(list(rows), *ATTEMPT[1:3], *ATTEMPT[4:], **usual)
    known = [row.get("known", "token") for row in rows]
    return made.drop("known", strict=False).with_columns(
        attempt_id=pl.Series(["abc"[k] for k in range(len(rows))]),
        vehicle_known_by=pl.Series(known),
    )


def heard(
    *rows: tuple[float, str], soc: tuple[float | None, ...] = (), **usual: Any
) -> list[tuple[Any, ...]]:
    """(vehicle's fault, state of charge, source) of attempts 0 to 1000 and 1100 to the last word at
    2000.
    """
    both = tried(
        {"plugged_at_utc": 0, "unplugged_at_utc": 1000}, {"plugged_at_utc": 1100, "seen_utc": 2000}
    )
    told = reports(*rows, **usual)
    if soc:
        told = told.with_columns(soc_pct=pl.Series(soc, dtype=pl.Float64))
    made = telematics.enriched(both, told, SETTINGS).sort("attempt_id")
    return made.select("vehicle_fault", "soc_leave_pct").rows()


def test_a_report_belongs_to_the_attempt_it_lies_in_else_to_the_nearest() -> None:
    """Within three minutes of it (setting), limits included; one attempt only.

    Without a report nothing is known.
    """
    assert heard((500, "charge_fault")) == [(True, None), (None, None)]
    assert heard((1000, "charge_fault")) == [(True, None), (None, None)]
    assert heard((1040, "charge_fault")) == [(True, None), (None, None)]
    assert heard((1060, "charge_fault")) == [(None, None), (True, None)]
    assert heard((-180, "charge_fault")) == [(True, None), (None, None)]
    assert heard((-181, "charge_fault")) == [(None, None), (None, None)]
    assert heard((2180, "charge_fault")) == [(None, None), (True, None)]
    assert heard((2181, "charge_fault")) == [(None, None), (None, None)]
    assert heard((500, "plugged")) == [(False, None), (None, None)]
    assert heard((500, "charge_fault"), vehicle_id="w") == [(None, None), (None, None)]
    assert heard((1050, "charge_fault"))[0] == (True, None)


def test_of_two_stays_beside_one_attempt_the_longer_is_its() -> None:
    """Unplugged and plugged elsewhere within the slack: that stay's fault and charge are not this attempt's."""
    rows = ((5.0, "plugged"), (995.0, "unplugged"), (1030.0, "plugged"), (1035.0, "charge_fault"))
    assert heard(*rows, soc=(40.0, 60.0, 20.0, 20.0))[0] == (False, 60.0)


def test_the_last_state_of_charge_told_at_an_end_counts() -> None:
    """Of stops, faults and unpluggings in order of time; the EVSE's own word goes before.

    'plugged' tells what was.
    """
    rows = (
        (900.0, "charge_stopped"),
        (800.0, "unplugged"),
        (10.0, "plugged"),
        (990.0, "charge_fault"),
    )
    assert heard(*rows, soc=(80.0, 70.0, 99.0, None))[0] == (True, 80.0)
    both = tried({"plugged_at_utc": 0, "unplugged_at_utc": 1000, "soc_leave_pct": 55.0})
    told = reports((900, "charge_stopped")).with_columns(soc_pct=pl.lit(80.0))
    made = telematics.enriched(both, told, SETTINGS)
    assert made.select("soc_leave_pct", "source").rows() == [(55.0, "ocpp16+telematics")]
    again = telematics.enriched(made.drop("vehicle_fault"), told, SETTINGS)
    assert again["source"].to_list() == ["ocpp16+telematics"]


EVSES = pl.DataFrame(
    {
        "evse_id": ["t2", "s2", "c2", "t1", "c1", "g"],
        "connector_type": ["cType2", "sType2", "cCCS2", "cType1", "cCCS1", "cG105"],
    }
)


@pytest.mark.parametrize(
    ("inlets", "evses"),
    [
        ("cType2", ["s2", "t2"]),
        ("sType2", ["s2", "t2"]),
        ("cCCS2", ["c2", "s2", "t2"]),
        ("cType1", ["s2", "t1"]),
        ("cCCS1", ["c1", "s2", "t1"]),
        ("cG105;cType1", ["g", "s2", "t1"]),
        ("cCCS2; cType2", ["c2", "s2", "t2"]),
    ],
)
def test_which_evse_fits_which_inlet(inlets: str, evses: list[str]) -> None:
    """A CCS inlet holds the AC part of its coupler (contract; IEC 62196-3, from memory).

    Socket and cable of Type 2 alike; at a socket the vehicle's own cable (IEC 61851-1 case B) ends in its own inlet's
    coupler, so that one with a Type 1 inlet charges there too (common practice, no source).
    """
    vehicles = pl.DataFrame({"vehicle_id": ["v"], "inlets": [inlets]})
    assert reported_plug_ins.fitting(vehicles, EVSES)["evse_id"].sort().to_list() == evses


PAIRS = pl.DataFrame({"vehicle_id": ["v", "w"], "evse_id": ["e", "e"]})


def spans(*rows: tuple[str, float, float | None]) -> pl.DataFrame:
    """Vehicles' own plug-ins (vehicle, from, to)."""
    listed = [
        {"vehicle_id": v, "span": k, "from_utc": a, "to_utc": b, "seen_utc": a if b is None else b}
        for k, (v, a, b) in enumerate(rows)
    ]
    return frame(
        listed,
        "vehicle_id",
        "span",
        "from_utc",
        "to_utc",
        "seen_utc",
        "began",
        "ended",
        "time_doubt",
    )


def named(
    *free: tuple[str, float, float | None],
    pairs: pl.DataFrame = PAIRS,
    known: str = "none",
    start: float = 0,
) -> tuple[Any, ...]:
    """Who one attempt of an unknown vehicle, an hour long, was of."""
    one = tried(
        {
            "plugged_at_utc": start,
            "unplugged_at_utc": start + HOUR,
            "vehicle_id": None,
            "known": known,
        }
    )
    made = reported_plug_ins.identified(one, spans(*free), pairs, SETTINGS)
    return made.select("vehicle_id", "vehicle_known_by", "source").row(0)


NOBODY = (None, "none", "ocpp16")
V = ("v", "telematics", "ocpp16+telematics")


def test_an_unknown_vehicle_is_the_only_free_one_of_the_same_moments() -> None:
    """Plugged and unplugged within a minute (setting), both known.

    Two that fit, or one that fits two attempts, is none.
    """
    assert named(("v", 0, HOUR)) == V
    assert named(("v", 60, HOUR - 60)) == V
    assert named(("v", -60, HOUR + 60)) == V
    assert named(("v", 61, HOUR)) == NOBODY
    assert named(("v", 0, HOUR + 61)) == NOBODY
    assert named(("v", 0, None)) == NOBODY
    assert named(("v", 0, HOUR), ("w", 1, HOUR)) == NOBODY
    assert named(("v", 0, HOUR), ("w", 200, HOUR)) == V
    assert named(("v", 0, HOUR), pairs=PAIRS.filter(pl.col("vehicle_id") == "w")) == NOBODY
    assert named(("v", 0, HOUR), known="conflict") == (None, "conflict", "ocpp16")
    for start in (HOUR - 30, HOUR, -30):
        assert named(("v", start + 45, start + HOUR), start=start) == V
        assert named(("v", start - 45, start + HOUR), start=start) == V
    two = tried(
        *(
            {"plugged_at_utc": 0, "unplugged_at_utc": HOUR, "vehicle_id": None, "known": "none"}
            for _ in range(2)
        )
    )
    assert reported_plug_ins.identified(two, spans(("v", 0, HOUR)), PAIRS, SETTINGS)[
        "vehicle_id"
    ].to_list() == [None, None]


def free(*rows: tuple[str, float, float | None]) -> list[int]:
    """Spans that no attempt of vehicle v, from 1000 to 2000, overlaps."""
    mine = tried(
        {"plugged_at_utc": 1000, "unplugged_at_utc": 2000},
        {"plugged_at_utc": 0, "unplugged_at_utc": 9000, "vehicle_id": None},
    )
    return reported_plug_ins.free_spans(mine, spans(*rows), SETTINGS)["span"].to_list()


def test_a_vehicle_at_an_attempt_of_its_own_is_not_free() -> None:
    """Overlap counts within three minutes (setting).

    Other vehicles' attempts and unknown ones take nothing.
    """
    assert free(
        ("v", 0, 820),
        ("v", 0, 819),
        ("v", 2180, 3000),
        ("v", 2181, 3000),
        ("v", 1400, 1500),
        ("w", 1400, 1500),
    ) == [
        1,
        3,
        5,
    ]
    assert free(("v", 900, None)) == []
    assert free(("v", 100, None)) == [0]


TOKENS = frame([{"id_token": "T1", "vehicle_id": "v", "valid_from_utc": 0, "valid_to_utc": 5000}])
AT = pl.DataFrame({"vehicle_id": ["v", "v"], "evse_id": ["e", "f"], "station_of": ["st1", "st2"]})


def unseen(
    card: float,
    *,
    token: str = " t1",
    station: str = "st1",
    span: tuple[float, float | None] = (1000, 2000),
    pairs: pl.DataFrame = AT,
    busy: tuple[float, float] | None = None,
) -> list[tuple[Any, ...]]:
    """Where a plug-in that only vehicle v reported took place: (EVSE, card)."""
    cards = frame([{"station_id": station, "at_utc": card, "id_token": token}])
    others = tried(
        {"plugged_at_utc": -90_000, "unplugged_at_utc": -80_000},
        *([{"plugged_at_utc": busy[0], "unplugged_at_utc": busy[1]}] if busy else []),
    )
    made = reported_plug_ins.unseen(spans(("v", *span)), cards, TOKENS, others, pairs, SETTINGS)
    return made.select("evse_id", "id_token").rows()


def test_a_plug_in_the_evse_never_saw_is_where_its_card_was_shown() -> None:
    """At the time within two minutes (setting), by the vehicle's own card then, at a station with
    one free EVSE that fits.
    """
    here = [("e", " t1")]
    assert unseen(1500) == here
    assert unseen(880) == here
    assert unseen(879) == []
    assert unseen(2120) == here
    assert unseen(2121) == []
    assert unseen(1500, token="T9") == []
    assert unseen(1500, station="st2") == [("f", " t1")]
    assert unseen(1500, station="st3") == []
    two = pl.concat(
        [AT, pl.DataFrame({"vehicle_id": ["v"], "evse_id": ["g"], "station_of": ["st1"]})]
    )
    assert unseen(1500, pairs=two) == []
    assert unseen(1500, busy=(1900, 3000)) == []
    assert unseen(1500, busy=(2001, 3000)) == here
    assert unseen(1500, span=(1000, None)) == []
    assert unseen(1100, span=(1000, None)) == here
    assert unseen(0, span=(0, 100)) == here
    assert unseen(-1, span=(0, 100)) == []
    assert unseen(4999, span=(4900, 5500)) == here
    assert unseen(5000, span=(4900, 5500)) == []


def test_what_only_the_vehicle_reported_becomes_a_plug_in_the_evse_never_saw() -> None:
    """Level plugged, named by its start, the error of a vehicle's report, a sign that it was not
    seen; its lineage.
    """
    alone = spans(("v", 0, 100), ("v", 500, None)).with_columns(
        evse_id=pl.lit("e"),
        station_of=pl.lit("st1"),
        id_token=pl.lit("T1"),
        began=pl.lit("f:1"),
        ended=pl.Series(["f:2", None]),
    )
    made = attempt_rows.vehicle_only(alone)
    first = made.row(0, named=True)
    assert first["attempt_id"] == "e|" + at(0).strftime("%Y%m%dT%H%M%SZ")
    assert (first["source"], first["vehicle_known_by"], first["level"], first["clock_error_s"]) == (
        "telematics",
        "token",
        0,
        60.0,
    )
    assert (first["plugged_at_utc"], first["unplugged_at_utc"], first["warning_at_utc"]) == (
        at(0),
        at(100),
        at(100),
    )
    assert first["warning_raw"] == "not seen by the EVSE"
    assert (first["vehicle_id"], first["evse_id"], first["station_id"], first["id_token"]) == (
        "v",
        "e",
        "st1",
        "T1",
    )
    assert (first["seen_utc"], first["pilot_low_samples"]) == (at(100), 0)
    assert made["lineage"].to_list() == [["f:1", "f:2"], ["f:1"]]
    assert seconds_of(made["warning_at_utc"]) == [100, 500]
    assert set(polars_schema("core_plug_in")) <= set(made.columns)


SESSION = dict(polars_schema("raw_session"))


def exported(*rows: dict[str, Any]) -> pl.DataFrame:
    """Sessions of an export as spans."""
    usual = {"evse_id": "e", "file_id": "x", "plugged_at_utc": at(0), "unplugged_at_utc": at(100)}
    full = [usual | {"line": k} | row for k, row in enumerate(rows)]
    raw = pl.DataFrame(
        [{n: row.get(n) for n in SESSION} for row in full], schema=SESSION, orient="row"
    )
    return exports.build(raw, {})


def test_an_exported_session_is_a_span_with_what_it_tells() -> None:
    """To the minute, or an hour off in the fold of a clock change; without a start it has no place.

    Without an end it is open.
    """
    made = exported(
        {"id_token": "T1", "energy_kwh": 3.0},
        {"plugged_at_utc": at(500), "unplugged_at_utc": None, "time_doubt": "fold"},
        {"plugged_at_utc": None},
    )
    assert seconds_of(made["from_utc"]) == [0, 500]
    assert seconds_of(made["to_utc"]) == [100, None]
    assert seconds_of(made["seen_utc"]) == [100, 500]
    assert made["error_s"].to_list() == [60.0, 3600.0]
    assert made["began"].to_list() == made["ended"].to_list() == ["x:0", "x:1"]
    assert made.select("export_token", "export_kwh", "export_trouble").row(0) == ("T1", 3.0, False)


@pytest.mark.parametrize(
    ("row", "fault", "trouble"),
    [
        ({"fault": "GroundFailure", "fault_raw": "diode check failed"}, "GroundFailure", True),
        ({"fault_raw": "diode check failed"}, "DiodeFault", True),
        ({"fault_raw": "zorble"}, None, True),
        ({"fault_raw": "diode check failed", "stop_reason": "PowerLoss"}, "DiodeFault", True),
        ({"stop_reason": "PowerLoss"}, "PowerLoss", True),
        ({"stop_reason": "Local"}, None, False),
        ({}, None, False),
    ],
)
def test_an_exports_fault_is_its_mapping_else_a_known_word_else_its_end(
    row: dict[str, Any], fault: str | None, *, trouble: bool
) -> None:
    """Contract: an end reason that says nothing of failure with a mapped fault is a failure.

    Unknown words are trouble.
    """
    made = exported(row).row(0, named=True)
    assert (made["export_fault"], made["export_trouble"], made["export_raw"]) == (
        fault,
        trouble,
        row.get("fault_raw"),
    )


def test_of_two_exports_of_one_start_the_one_that_ends_last_counts() -> None:
    """The same start at one EVSE; at another EVSE or instant both stand.

    An end goes before none.
    """
    rows = [
        {"unplugged_at_utc": at(50)},
        {"unplugged_at_utc": at(100)},
        {"unplugged_at_utc": None},
        {"evse_id": "f"},
        {"plugged_at_utc": at(1)},
    ]
    assert exported(*rows)["began"].to_list() == ["x:1", "x:4", "x:3"]


def matched(
    *plug_ins: dict[str, Any], told: tuple[dict[str, Any], ...] = ({},)
) -> list[tuple[int, str]]:
    """(plug-in, export) of plug-ins at EVSE e and exported sessions."""
    usual = {"evse_id": "e", "began": "p:1"}
    listed = [{"plug_in": k} | row for k, row in enumerate(plug_ins)]
    spans_ = frame(listed, "plug_in", "evse_id", "began", "from_utc", "to_utc", "seen_utc", **usual)
    return (
        exports.matched(spans_, exported(*told)).sort("plug_in").select("plug_in", "told_at").rows()
    )  # type: ignore[return-value]


def test_an_export_is_of_the_plug_in_it_overlaps_longest() -> None:
    """Within a minute (exports are to the minute), each of one plug-in and each plug-in of one.

    The one it made itself first.
    """
    assert matched({"from_utc": 10, "to_utc": 90}) == [(0, "x:0")]
    assert matched({"from_utc": 160, "to_utc": 200}) == [(0, "x:0")]
    assert matched({"from_utc": 161, "to_utc": 200}) == []
    assert matched({"from_utc": -100, "to_utc": -60}) == [(0, "x:0")]
    assert matched({"from_utc": -100, "to_utc": -61}) == []
    assert matched({"from_utc": -50, "to_utc": 30}, {"from_utc": 40, "to_utc": 100}) == [(1, "x:0")]
    assert matched({"from_utc": -50, "to_utc": 70}, {"from_utc": 80, "to_utc": 100}) == [(0, "x:0")]
    assert matched(
        {"from_utc": 90, "to_utc": 100, "began": "x:0"}, {"from_utc": 0, "to_utc": 89}
    ) == [(0, "x:0")]
    two = ({}, {"plugged_at_utc": at(101), "unplugged_at_utc": at(300)})
    assert matched({"from_utc": 50, "to_utc": 290}, told=two) == [(0, "x:1")]
    assert matched({"from_utc": 10, "seen_utc": 20}) == [(0, "x:0")]
    assert matched({"from_utc": 150, "to_utc": 60}) == [(0, "x:0")]


def test_only_plug_ins_told_otherwise_differ() -> None:
    """New, gone or changed ones, by any field, lineage too; those alike, nulls included, do not."""
    schema = dict(polars_schema("core_plug_in"))

    def plug_ins(*rows: dict[str, Any]) -> pl.DataFrame:
        usual = {
            "evse_id": "e",
            "station_id": "st1",
            "plugged_at_utc": at(0),
            "seen_utc": at(50),
            "source": "pilot",
            "lineage": ["f:1"],
            "clock_error_s": 2.0,
            "pilot_low_samples": 0,
        }
        return pl.DataFrame(
            [{n: (usual | row).get(n) for n in schema} for row in rows], schema=schema, orient="row"
        )

    def spans_(before: pl.DataFrame, now: pl.DataFrame) -> list[tuple[float | None, ...]]:
        found = attempt_rebuild.differing(before, now).sort("from_utc", "to_utc")
        return list(zip(seconds_of(found["from_utc"]), seconds_of(found["to_utc"]), strict=True))

    one = plug_ins({})
    assert spans_(one, one) == []
    assert spans_(one.clear(), one) == [(0, 50)]
    assert spans_(one, one.clear()) == [(0, 50)]
    assert spans_(one, plug_ins({"unplugged_at_utc": at(70)})) == [(0, 50), (0, 70)]
    assert spans_(one, plug_ins({"lineage": ["f:1", "f:2"]})) == [(0, 50), (0, 50)]
    assert spans_(one, plug_ins({}, {"plugged_at_utc": at(9)})) == [(9, 50)]

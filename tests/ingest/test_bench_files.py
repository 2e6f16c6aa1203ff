"""The bench's files in a delivery: readings row by row, traces named beside them."""

from __future__ import annotations

from pathlib import Path

import pytest
from delivered import put, read, reasons, row

from pipeline.storage.warehouse import Connection, query

READINGS = "at,vehicle_id,reading,value,state,coupler,instrument,note\n"


def test_readings_come_in_as_written(con: Connection, delivery: Path) -> None:
    """A figure, OL and an answer are kept as text with state and instrument; times without an offset are placed."""
    put(
        delivery,
        "bench/readings.csv",
        READINGS
        + "2026-04-02T09:30:00+02:00,V1,cp_pe_reverse_ohm,OL,,cType2,meter 0.5 mA,\n"
        + "2026-04-02T09:35:00Z,V1,cp_low_v,-8.8,B2,,,scope\n",
    )
    account = row(read(con, delivery), "bench/readings.csv")
    assert (account["kind"], account["used"], account["rejected"]) == ("readings", 3, 0)
    kept = query(
        con, "SELECT reading, reading_value, pilot_state, instrument FROM raw_reading ORDER BY line"
    ).rows()
    assert kept == [
        ("cp_pe_reverse_ohm", "OL", None, "meter 0.5 mA"),
        ("cp_low_v", "-8.8", "B2", None),
    ]


def test_a_reading_that_is_none_of_ours_is_rejected_alone(con: Connection, delivery: Path) -> None:
    """An unknown kind, a state that is none, a missing value: that line is out with its reason, the others stay."""
    put(
        delivery,
        "bench/readings.csv",
        READINGS
        + "2026-04-02T09:30:00Z,V1,cp_lo_v,-8.8,B2,,,\n"
        + "2026-04-02T09:30:00Z,V1,cp_low_v,,B2,,,\n"
        + "2026-04-02T09:30:00Z,V1,cp_low_v,-8.8,G9,,,\n"
        + "2026-04-02T09:30:00Z,V1,cp_low_v,-8.8,B2,,,\n",
    )
    account = row(read(con, delivery), "bench/readings.csv")
    assert (account["used"], account["rejected"]) == (2, 3)
    assert len(reasons(con)) == 3


def test_a_list_of_traces_is_recognised(con: Connection, delivery: Path) -> None:
    """Each row names a file of the delivery, with vehicle, state and coupler."""
    put(
        delivery,
        "bench/traces.csv",
        "at,vehicle_id,file,coupler,state,note\n2026-04-02T09:30:00Z,V1,scope.csv,cType2,B2,\n",
    )
    account = row(read(con, delivery), "bench/traces.csv")
    assert (account["kind"], account["used"]) == ("traces", 2)
    assert query(con, "SELECT vehicle_id, trace_file FROM raw_trace").rows() == [
        ("V1", "scope.csv")
    ]


@pytest.mark.parametrize(
    "head",
    ["s,V\n", "", "Model;X\nSampling Interval;1e-5\n\nTime [ms];Kanal [V]\n"],
    ids=["plain", "no header", "preamble"],
)
def test_an_oscilloscope_s_export_is_kept_as_it_came(
    con: Connection, delivery: Path, head: str
) -> None:
    """Whatever its header, rows of figures are a trace: all lines used, the text kept whole."""
    mark = ";" if ";" in head else ","
    text = head + "".join(
        f"{i / 1e5:.6f}{mark}{9 if i % 100 < 27 else -12}.0\n" for i in range(400)
    )
    put(delivery, "bench/scope.csv", text)
    account = row(read(con, delivery), "bench/scope.csv")
    assert (account["kind"], account["used"], account["rejected"]) == ("trace", text.count("\n"), 0)
    assert query(con, "SELECT trace_text FROM raw_trace_file").item() == text


def test_a_few_figures_are_no_trace(con: Connection, delivery: Path) -> None:
    """A short list of figures is what it was before: a file nobody knows, told loudly."""
    put(delivery, "figures.csv", "a,b\n" + "1,2\n" * 20)
    assert row(read(con, delivery), "figures.csv")["kind"] == "unrecognised"

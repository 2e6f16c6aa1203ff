"""The reasons a manager reads, whole sentences from the row's own figures, and the rows as they go
out.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.refer.equipment_wording import GROUNDS, evse_reason, pairing_reason
from pipeline.refer.referral import all_lessons, out_evses, out_vehicles
from pipeline.refer.wording import vehicle_reason
from pipeline.registry import empty, polars_schema
from pipeline.settings.refer import ReferSettings

UTC_US = pl.Datetime("us", "UTC")
DAY = timedelta(days=1)
AT = datetime(2026, 3, 20, 8, tzinfo=UTC)
ROW: dict[str, Any] = {
    "vehicle_id": "V", "call": "refer", "reason": " It failed 9 of 10. ", "p_vehicle": 0.973, "p_diode": 0.9,
    "suspect": "pilot_diode_leaky", "p_suspect": 0.88, "reverse_path_ohm": 20e3, "reverse_path_lo_ohm": 15e3,
    "reverse_path_hi_ohm": None, "dismissed": False, "held": False,
    "said_by": None, "said_at_utc": None, "said_why": None, "why": "waiting costs more", "repaired_at_utc": None,
    "drifting": False, "drift_since_utc": None, "onset_utc": AT, "onset_lo_utc": AT - 4 * DAY,
    "onset_hi_utc": AT + 2 * DAY, "ac_attempts": 10, "ac_failures": 9, "evses_failed_at": 3, "dc_attempts": 2, "dc_charged": 1,
    "early_b_failures": 8, "pilot_low_v": -11.4, "pilot_high_v": 8.9, "silent": 0, "unseen": 0, "stays": 0,
    "level_factor": 4.0, "pilot_speaks": 4.0,
    "others_attempts": 80, "others_failures": 2, "attributed_to": "the vehicle", "attributed_share": 0.5, "creeps": False,
    "begins_utc": None, "fails_now": None,
}  # fmt: skip
TYPES = {
    "suspect": pl.String, "said_by": pl.String, "said_why": pl.String, "reverse_path_ohm": pl.Float64,
    "reverse_path_lo_ohm": pl.Float64, "reverse_path_hi_ohm": pl.Float64, "p_suspect": pl.Float64, "fails_now": pl.Float64,
    **dict.fromkeys(
        ("begins_utc",),
        UTC_US,
    ),
    **dict.fromkeys(
        ("said_at_utc", "repaired_at_utc", "drift_since_utc", "onset_utc", "onset_lo_utc", "onset_hi_utc"),
        UTC_US,
    ),
}  # fmt: skip


def called(**change: Any) -> pl.DataFrame:
    """A called vehicle that differs as stated from one referred for a leak."""
    return pl.DataFrame([ROW | change], schema_overrides=TYPES)


def said(**change: Any) -> str:
    """The reason of such a vehicle."""
    return str(called(**change).select(vehicle_reason(ReferSettings())).item())


FAILED = "9 of 10 AC attempts failed, at 3 EVSEs."
OTHERS = " All others failed 2 of 80 there in that time."
DC = " On DC it charged at 1 of 2 attempts."
SURE = " Probability that the vehicle is at fault: 97 %."
LEAK = " Most likely: leaking pilot diode (88 % if it is the vehicle)."
PATH = (
    " Against the levels others show at each EVSE, CP to PE in reverse is 20 kΩ, 90 % interval 15 kΩ to over range."
)  # fmt: skip
DECIDED = " Refer: waiting costs more."
HEAD = FAILED + OTHERS + DC + SURE


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({}, HEAD + LEAK + PATH + DECIDED),
        ({"reverse_path_hi_ohm": 25e3}, HEAD + LEAK + PATH.replace("over range", "25 kΩ") + DECIDED),
        ({"p_suspect": 0.5}, HEAD + LEAK.replace("88", "50") + PATH + DECIDED),
        ({"p_suspect": 0.49, "reverse_path_ohm": None}, HEAD + DECIDED),
        ({"level_factor": -0.1}, HEAD + LEAK + DECIDED),
        ({"call": "watch", "p_vehicle": 0.3}, HEAD.replace("97", "30") + LEAK + PATH + " Watch: waiting costs more."),
        ({"call": "clear", "silent": 9}, FAILED + " Clear: waiting costs more."),
        (
            {"call": "clear", "attributed_to": "its EVSEs", "attributed_share": 0.51},
            FAILED + " Mostly attributed to its EVSEs. Clear: waiting costs more.",
        ),
        (
            {"call": "insufficient_data", "ac_attempts": 0, "ac_failures": 0},
            "No AC attempt in the look-back charged or failed. Insufficient data: waiting costs more.",
        ),
        ({"call": "clear", "ac_failures": 0}, "None of 10 AC attempts failed. Clear: waiting costs more."),
        ({"evses_failed_at": 1, "others_attempts": 0}, HEAD.replace(OTHERS, "").replace("3 EVSEs", "1 EVSE")
         + LEAK + PATH + DECIDED),
        (
            {"silent": 7, "reverse_path_ohm": None, "dc_attempts": 0},
            FAILED + OTHERS + " At 7 AC plug-ins it never asked for charge, with nothing seen that explains it." + SURE
            + LEAK + DECIDED,
        ),
        (
            {"suspect": "carried_cable", "reverse_path_ohm": None, "level_factor": 0.0, "pilot_speaks": -3.0},
            HEAD + LEAK.replace("leaking pilot diode", "cable carried with the vehicle")
            + " The pilot's levels with it are those of other vehicles there, which speaks against its pilot circuit." + DECIDED,
        ),
        (
            {"suspect": "pilot_open", "unseen": 5, "stays": 6, "reverse_path_ohm": None},
            FAILED + OTHERS
            + " At 5 of its last 6 visits no EVSE saw it plugged in, by its own report or with its card accepted."
            + DC + SURE + LEAK.replace("leaking pilot diode", "open pilot line or diode") + DECIDED,
        ),
        (
            {"creeps": True, "begins_utc": AT, "fails_now": 0.07},
            HEAD + LEAK + PATH
            + " As it goes, it begins to fail at the EVSEs it uses from 2026-03-20 on (early end of an 80 % interval)."
            + " At the EVSEs it uses, a plug-in is refused for its level with a chance of 7 %." + DECIDED,
        ),
        (
            {"call": "clear", "dismissed": True, "said_by": "Ines", "said_at_utc": AT, "said_why": "new cable"},
            FAILED + " Dismissed by Ines on 2026-03-20: new cable. Clear: waiting costs more.",
        ),
        (
            {"call": "clear", "held": True, "said_at_utc": AT},
            FAILED + " Held by unknown on 2026-03-20: no reason given. Clear: waiting costs more.",
        ),
        ({"call": "proved", "repaired_at_utc": AT}, FAILED + " Repaired on 2026-03-20. Proved: waiting costs more."),
    ],
)  # fmt: skip
def test_a_vehicle_s_reason(change: dict[str, Any], sentence: str) -> None:
    """Ground, others, silence, DC, repair, probability, suspect, levels, plan, people's word, decision.

    Each only where it applies.
    """
    assert said(**change) == sentence


def test_reasons_of_equipment() -> None:
    """Attribution's ground, and where the call points at the unit its probability and the likeliest
    part.
    """
    rows = pl.DataFrame(
        [
            ("faulty", 0.97, "contactor", 0.7, 17.4, "It failed with 5."), ("watch", 0.4, "cable", 0.69, 0.2, "It failed with 2."),
            ("clear", 0.002, "cable", 0.9, 9.0, "It failed with none."), ("insufficient_data", 0.0, None, None, 1.0, None),
            ("watch", 0.4, "cable", 0.69, 1.9, "It failed with 3."), ("watch", 0.4, "cable", 0.69, 154.0, "It failed with 4."),
            ("clear", 0.05, "cable", 0.69, 0.11, "It failed with 6."),
        ],
        schema={"call": pl.String, "p_evse": pl.Float64, "suspect": pl.String, "p_suspect": pl.Float64, "telling": pl.Float64,
                "reason": pl.String}, orient="row",
    ).with_columns(
        at_once=pl.Series([3] + [None] * 6, dtype=pl.UInt32), at_site=pl.lit(5),
        verdict=pl.Series(["fault", "doubt", "clear", "insufficient_data", "doubt", "doubt", "doubt"]),
    )  # fmt: skip
    # attribution's sentence of the verdict that was called, not of its own
    other = pl.lit("Of another verdict.")
    rows = rows.with_columns(
        pl.when(pl.col("call") == call).then("reason").otherwise(other).alias(ground)
        for call, ground in (
            ("faulty", "ground_fault"),
            ("watch", "ground_doubt"),
            ("clear", "ground_clear"),
        )
    )
    assert rows.select(evse_reason()).to_series().to_list() == [
        (
            "It failed with 5. How they failed (stage, fault word) is 17 times likelier if it is the EVSE than if it is "
            "chance or its vehicles. Probability that the EVSE is at fault: 97 %. Most likely: contactor (70 % if it is the EVSE). "
            "3 of the 5 EVSEs of its site began to fail within two days: look first at what they share (supply, network)."
        ),
        (
            "It failed with 2. How they failed (stage, fault word) is 5 times likelier if it is chance or its vehicles than if it is the "
            "EVSE. Probability that the EVSE is at fault: 40 %."
        ),
        "It failed with none.",
        "no attempt that charged or failed in the look-back.",
        "It failed with 3. Probability that the EVSE is at fault: 40 %.",
        (
            "It failed with 4. How they failed (stage, fault word) is over 100 times likelier if it is the EVSE than if it is "
            "chance or its vehicles. Probability that the EVSE is at fault: 40 %."
        ),
        (
            "It failed with 6. How they failed (stage, fault word) is 9 times likelier if it is chance or its vehicles than if it is the "
            "EVSE."
        ),
    ]
    pairs = rows.select(
        "call",
        pl.col("p_evse").alias("p_pairing"),
        pl.col("reason").fill_null("Few."),
    )
    assert pairs.select(pairing_reason()).to_series().to_list() == [
        "It failed with 5. Probability that the pairing is at fault: 97 %.",
        "It failed with 2. Probability that the pairing is at fault: 40 %.",
        "It failed with none.",
        "Few.",
        "It failed with 3. Probability that the pairing is at fault: 40 %.",
        "It failed with 4. Probability that the pairing is at fault: 40 %.",
        "It failed with 6.",
    ]


@pytest.mark.parametrize(
    ("change", "suspect", "onset", "doubt"),
    [
        ({}, "pilot_diode_leaky", AT, (4 * DAY, 2 * DAY)),
        ({"p_suspect": 0.49}, "unclear", AT, (4 * DAY, 2 * DAY)),
        ({"call": "clear"}, None, AT, (4 * DAY, 2 * DAY)),
        ({"drifting": True, "drift_since_utc": AT - 30 * DAY}, "pilot_diode_leaky", AT - 30 * DAY, (7 * DAY, 7 * DAY)),
        ({"drifting": True}, "pilot_diode_leaky", AT, (4 * DAY, 2 * DAY)),
        ({"drift_since_utc": AT - 30 * DAY}, "pilot_diode_leaky", AT, (4 * DAY, 2 * DAY)),
        ({"drifting": True, "drift_since_utc": AT - 30 * DAY, "suspect": "inlet_lock"}, "inlet_lock", AT, (4 * DAY, 2 * DAY)),
    ],
)  # fmt: skip
def test_the_onset_goes_with_what_is_suspected(
    change: dict[str, Any], suspect: str | None, onset: datetime, doubt: tuple[timedelta, timedelta]
) -> None:
    """A leak began when the negative level left its band, to a week.

    Else as attribution says.
    """
    out = out_vehicles(called(**change), ReferSettings())
    assert out.schema == polars_schema("out_vehicles")
    row = out.row(0, named=True)
    assert row["suspect"] == suspect
    assert (row["onset"], row["onset_lo"], row["onset_hi"]) == (
        onset,
        onset - doubt[0],
        onset + doubt[1],
    )


def test_a_row_goes_out_as_it_was_judged() -> None:
    """Every other figure of out_vehicles is the judged one, the reason the sentence above."""
    row = out_vehicles(called(), ReferSettings()).row(0, named=True)
    same = set(polars_schema("out_vehicles")) - {
        "suspect",
        "onset",
        "onset_lo",
        "onset_hi",
        "refer_by",
        "reason",
    }
    assert {name: row[name] for name in same} == {name: ROW[name] for name in same}
    assert row["reason"] == said()


def test_evses_go_out_with_a_part_only_where_the_call_points_at_them() -> None:
    """A part is named from 70 % on, else 'unclear', and neither part nor onset where the EVSE is not called."""
    rows = pl.DataFrame(
        [("E1", "faulty", "contactor", 0.7), ("E2", "watch", "contactor", 0.69), ("E3", "clear", "contactor", 0.9)],
        schema=["evse_id", "call", "suspect", "p_suspect"], orient="row",
    ).with_columns(
        site_id=pl.lit("depot"), p_evse=pl.lit(0.9), onset_utc=pl.lit(AT).dt.cast_time_unit("us"), attempts=pl.lit(9),
        failures=pl.lit(4), vehicles_failed=pl.lit(3), pilot_high_v=pl.lit(9.0), pilot_low_v=pl.lit(-12.0),
        **{name: pl.lit("Many failed.") for name in ("reason", *GROUNDS)}, telling=pl.lit(1.0), verdict=pl.lit("fault"),
    )  # fmt: skip
    out = out_evses(rows)
    assert out.schema == polars_schema("out_evses")
    assert out["suspect"].to_list() == ["contactor", "unclear", None]
    assert out["onset"].to_list() == [AT, AT, None]
    assert out["reason"][2] == "Many failed."


def test_lessons_kept_are_not_taught_again() -> None:
    """Of a lesson kept and made again the kept one stays, in one order whatever came first."""
    schema = empty("decision_lesson").schema
    kept = pl.DataFrame(
        [("V", AT, "inlet_lock", "stopped_at", "late_b", 1.0)], schema=schema, orient="row"
    )
    new = pl.DataFrame(
        [
            ("V", AT, "inlet_lock", "stopped_at", "late_b", 2.0), ("V", AT, "inlet_lock", "stopped_at", "early_b", 1.0),
            ("U", AT, "unclear", "drift", "steady", 1.0),
        ],
        schema=schema, orient="row",
    )  # fmt: skip
    joined = all_lessons(kept, new)
    assert joined.select("vehicle_id", "category", "amount").rows() == [
        ("U", "steady", 1.0),
        ("V", "early_b", 1.0),
        ("V", "late_b", 1.0),
    ]
    assert all_lessons(joined, new).equals(joined)

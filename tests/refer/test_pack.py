"""The parts of an evidence pack, recounted by hand from a few attempts.

Sentences whole, as a reader gets them.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from made_levels import no_levels
from pydantic import ValidationError

from pipeline.core.weeks import LookBack
from pipeline.core.wording import SUSPECTS
from pipeline.refer.inputs import Attributed, ReferInputs, join_findings
from pipeline.refer.pack.argument import doubts, factor_words, refutes, ruled_out, weights
from pipeline.refer.pack.bench_steps import bench
from pipeline.refer.pack.build import (
    CONTROL_ROWS,
    _claim,
    _control,
    _since,
    packs,
)
from pipeline.refer.pack.charts import pilot_chart, strip_chart
from pipeline.refer.pack.form import FORM
from pipeline.refer.pack.history import history
from pipeline.refer.pack.model import (
    EVIDENCE_VERSION,
    Band,
    Evidence,
    FormField,
    Part,
    PilotReading,
    StripAttempt,
    Weight,
)
from pipeline.refer.pack.parts import bands, by_vehicle, controls, peers
from pipeline.refer.pack.pilot import pilot
from pipeline.refer.suspects.signatures import learnt
from pipeline.refer.suspects.vehicles import Judged
from pipeline.refer.suspects.weighing import log_factor, weigh
from pipeline.registry import empty

UTC_US = pl.Datetime("us", "UTC")
W13 = datetime(2026, 3, 25, 12, tzinfo=UTC)
W14 = W13 + timedelta(weeks=1)
USUAL: dict[str, Any] = {
    "vehicle_id": "V", "vehicle_model": "Crate", "id_token": "T", "evse_id": "E1", "site_id": "depot", "evse_model": "M",
    "check": "yes", "supply": "AC", "outcome": "failed", "weight": 1.0, "plugged_at_utc": W13, "fault": "PilotFault",
    "time_doubt": None, "distrust": False, "silent": False, "p_vehicle": 0.9, "p_evse": 0.05, "p_pairing": 0.03, "p_other": 0.02,
}  # fmt: skip
TYPES = {
    "vehicle_id": pl.String, "vehicle_model": pl.String, "id_token": pl.String, "fault": pl.String, "time_doubt": pl.String,
    "plugged_at_utc": UTC_US, "p_vehicle": pl.Float64, "p_evse": pl.Float64, "p_pairing": pl.Float64, "p_other": pl.Float64,
}  # fmt: skip


def attempts(*rows: dict[str, Any]) -> pl.DataFrame:
    """Attempts that differ as stated from a failure of V at E1 in 2026-W13 that is V's own."""
    frame = pl.DataFrame([USUAL | row for row in rows], schema_overrides=TYPES)
    return frame.with_columns(attempt_id=pl.format("A{}", pl.int_range(pl.len())))


OK = {"outcome": "charged", "p_vehicle": None, "p_evse": None, "p_pairing": None, "p_other": None}


def test_controls_count_everybody_else_there_that_week() -> None:
    """By EVSE and ISO week in which V failed by half a failure or more of its own.

    The latest first, then the fullest.
    """
    frame = attempts(
        {}, {"p_vehicle": 0.4}, OK | {"check": "no", "plugged_at_utc": W13 + timedelta(days=2)},
        OK | {"vehicle_id": "W"}, {"vehicle_id": "W", "p_vehicle": 0.0},
        OK | {"vehicle_id": None, "id_token": "guest"}, OK | {"vehicle_id": None, "id_token": "guest"},
        {"vehicle_id": None, "id_token": None, "p_vehicle": None}, OK | {"vehicle_id": None, "id_token": None},
        OK | {"vehicle_id": "X", "plugged_at_utc": W14},
        {"supply": "DC"}, {"weight": 0.0}, {"outcome": "declined"}, {"vehicle_id": "W", "supply": "DC"},
        {"evse_id": "E2", "p_vehicle": 0.3},
        {"evse_id": "E2", "p_vehicle": 0.5, "plugged_at_utc": W14, "site_id": "yard", "evse_model": "N", "check": "unknown"},
        {"evse_id": "E3", "plugged_at_utc": W14}, {"evse_id": "E3", "plugged_at_utc": W14},
        {"evse_id": "E4", "plugged_at_utc": datetime(2027, 1, 1, tzinfo=UTC)},
    )  # fmt: skip
    table = controls(frame, pl.Series(["V"]))
    assert table.columns == [
        "vehicle_id", "evse_id", "week", "site_id", "evse_model", "diode_check", "attempts", "failures", "silent",
        "other_vehicles", "other_attempts", "other_failures", "other_silent",
    ]  # fmt: skip
    assert table.rows() == [
        ("V", "E4", "2026-W53", "depot", "M", "yes", 1, 1, 0, 0, 0, 0, 0),
        ("V", "E3", "2026-W14", "depot", "M", "yes", 2, 2, 0, 0, 0, 0, 0),
        ("V", "E2", "2026-W14", "yard", "N", "unknown", 1, 1, 0, 0, 0, 0, 0),
        ("V", "E1", "2026-W13", "depot", "M", "no", 3, 2, 0, 4, 6, 2, 0),
    ]
    both = controls(frame, pl.Series(["V", "W"]))
    assert both["vehicle_id"].to_list() == ["V"] * 4
    text = _control(table, "V")[1]
    assert text == (
        "At 4 EVSEs and in the weeks where V failed, it failed 6 of 7 AC attempts; "
        "all other vehicles there in the same weeks failed 2 of 6."
    )
    assert [c.evse_id for c in _control(table, "V")[0]] == ["E4", "E3", "E2", "E1"]


def test_controls_of_a_vehicle_that_never_asks_count_who_else_did_not() -> None:
    """Counted by hand: of V's three plug-ins two were silent by its own fault; of five by others one was."""
    quiet = {"outcome": "not_requested", "silent": True, "p_vehicle": 0.8}
    frame = attempts(
        quiet, quiet, OK,
        OK | {"vehicle_id": "W"}, OK | {"vehicle_id": "W"}, OK | {"vehicle_id": "X"}, {"vehicle_id": "X", "p_vehicle": 0.0},
        quiet | {"vehicle_id": "X", "p_vehicle": 0.1}, {"vehicle_id": "X", "outcome": "not_requested"},
    )  # fmt: skip
    shown, text = _control(controls(frame, pl.Series(["V"])), "V")
    assert text == (
        "At 1 EVSE and in the weeks where V failed or never asked, it failed 0 of 1 AC attempt, and never asked at 2 plug-ins more; "
        "all other vehicles there in the same weeks failed 1 of 4, and never asked at 1 more."
    )
    (row,) = shown
    assert (row.attempts, row.failures, row.silent) == (1, 0, 2)
    assert (row.other_vehicles, row.other_attempts, row.other_failures, row.other_silent) == (
        2,
        4,
        1,
        1,
    )


def test_a_pack_shows_two_dozen_controls_and_counts_all() -> None:
    """Rows beyond the shown ones still count in the sentence.

    Without a row the sentence says so.
    """
    frame = attempts(*({"evse_id": f"E{i:02d}"} for i in range(30)))
    shown, text = _control(controls(frame, pl.Series(["V"])), "V")
    assert len(shown) == CONTROL_ROWS == 24
    assert text.startswith(
        "At 30 EVSEs and in the weeks where V failed, it failed 30 of 30 AC attempts;"
    )
    assert _control(None, "V") == (
        (),
        "No EVSE and week in which an AC attempt of this vehicle went wrong by its own fault.",
    )


def test_peers_are_other_vehicles_of_the_model_at_the_same_evse_models() -> None:
    """Attempts of the same vehicle model at EVSE models where V failed; nobody, nothing."""
    other = {"vehicle_id": "W"}
    frame = attempts(
        {}, {"evse_model": "N", **OK},
        other, OK | other, OK | {"vehicle_id": "X"}, OK | other | {"evse_model": "N"},
        {"vehicle_id": "Y", "vehicle_model": "Barrow"}, other | {"supply": "DC"}, other | {"weight": 0.0},
        other | {"outcome": "abandoned"},
    )  # fmt: skip
    table = peers(frame, pl.Series("vehicle_id", ["V", "Z"]))
    assert table.columns == ["vehicle_id", "vehicles", "attempts", "failures"]
    assert table.rows() == [("V", 2, 3, 1), ("Z", 0, 0, 0)]


def test_bands_are_the_circuit_windows() -> None:
    """B2 and C2, positive level, sound and shorted negative level.

    IEC 61851-1 Annex A by a secondary source, derived, to 10 mV.
    """
    printed = {
        ("B2", "high", "positive level, healthy diode"): (8.37, 9.59),
        ("B2", "low", "negative level, healthy diode"): (-12.6, -11.4),
        ("B2", "low", "negative level, shorted diode in B2"): (-9.38, -8.22),
        ("C2", "high", "positive level, healthy diode"): (5.47, 6.53),
        ("C2", "low", "negative level, healthy diode"): (-12.6, -11.4),
        ("C2", "low", "negative level, shorted diode in C2"): (-6.09, -5.17),
    }
    made = {(b.state, b.side, b.name): (b.lo_v, b.hi_v) for b in bands()}
    assert list(made) == list(printed)
    for key, window in printed.items():
        assert made[key] == pytest.approx(window, abs=0.006)
    assert {b.source for b in bands()} == {
        "IEC 61851-1 Annex A as given by a secondary source; derived"
    }


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (100.0, "speaks very strongly for"), (99.9, "speaks strongly for"), (10.0, "speaks strongly for"),
        (9.9, "speaks clearly for"), (3.0, "speaks clearly for"), (2.9, "speaks weakly for"), (1.2, "speaks weakly for"),
        (1.19, "is neutral"), (1.0, "is neutral"), (1 / 1.19, "is neutral"), (1 / 1.2, "speaks weakly against"),
        (1 / 3.0, "speaks clearly against"), (0.1, "speaks strongly against"), (0.01, "speaks very strongly against"),
    ],
)  # fmt: skip
def test_bayes_factors_in_words(factor: float, words: str) -> None:
    """Steps at 3, 10 and 100 (common practice), mirrored for and against.

    1.2 and less is neutral.
    """
    assert factor_words(factor) == words


def test_weights_are_bayes_factors_against_the_other_causes() -> None:
    """Each signature seen.

    What was seen in words, P(seen | suspect) over P(seen | others by prior), the weightiest first.
    """
    tables = learnt("vehicle", empty("decision_lesson"))
    signs = pl.DataFrame(
        [
            ("U", "fault_word", "lock", 1.0),
            ("V", "stopped_at", "delivering", 0.5), ("V", "stopped_at", "early_b", 1.5),
            ("V", "trouble_code", "none_stored", 1.0), ("V", "at_checking", "failed", 0.5),
        ],
        schema=["unit", "signature", "category", "amount"], orient="row",
    )  # fmt: skip
    prior = np.tile(tables["vehicle_prior"].table, (2, 1))
    verdicts = weigh(signs, pl.Series("unit", ["U", "V"]), tables, prior, 1e9)
    nothing = pl.DataFrame()
    made = weights(
        Judged(
            nothing,
            prior,
            signs,
            verdicts,
            prior,
            tables,
            nothing,
            no_levels(2, prior.shape[1]),
            nothing,
        ),
        1,
        "pilot_diode_shorted",
    )
    column = verdicts.suspects.index("pilot_diode_shorted")
    assert {w.signature for w in made} == {"stopped_at", "trouble_code", "at_checking"}
    assert [abs(w.log_factor) for w in made] == sorted(
        (abs(w.log_factor) for w in made), reverse=True
    )
    for w in made:
        log = log_factor(verdicts, w.signature, prior)[1, column]
        assert (w.log_factor, w.factor) == pytest.approx((log, np.exp(log)))
        assert w.words == factor_words(w.factor)
        assert (w.title, w.source) == (tables[w.signature].title, tables[w.signature].source)
    seen = {w.signature: w.seen for w in made}
    early = "in state B or on the step to C within a minute, contactor still open"
    assert seen["stopped_at"] == f"{early}: 75 %; while delivering: 25 % (weight of 2 EVSEs)"
    assert seen["at_checking"] == "failed: 100 % (weight of 0.5 EVSEs)"
    assert (
        seen["trouble_code"]
        == tables["trouble_code"].words[tables["trouble_code"].categories.index("none_stored")]
    )


def test_other_explanations_by_their_share_of_the_failures() -> None:
    """Mean blame over the failed AC attempts: under 1 % ruled out, under 10 % unlikely, else open.

    Then the other causes.
    """
    frame = attempts(
        {"p_evse": 0.004, "p_pairing": 0.09, "p_other": 0.1},
        {"p_evse": 0.008, "p_pairing": 0.05, "p_other": 0.1, "evse_id": "E2"},
        OK, {"supply": "DC", "p_evse": 1.0}, {"p_vehicle": None, "p_evse": 1.0},
    )  # fmt: skip
    peers_row = {"vehicles": 7, "attempts": 90, "failures": 3}
    given = {"pilot_diode_shorted": 0.9, "inlet_lock": 0.09, "charger_input": 0.009}
    made = ruled_out(frame, peers_row, given, 0.9)
    since = "of 2 failed AC attempts since the trouble began are attributed to this"
    assert [(r.explanation, r.how, r.strength) for r in made] == [
        ("The EVSEs",
         f"under 1 % {since}: it failed at 2 EVSEs; see the control group for how others fared there", "ruled_out"),
        ("The pairing of vehicle model, EVSE model and firmware",
         f"7 % {since}: at these EVSE models 7 other vehicles of the model failed 3 of 90", "unlikely"),
        ("Chance, the driver or the grid",
         f"10 % {since}: refused cards and early unplugging are not counted as failures", "open"),
        ("Other cause in the vehicle: inlet lock or wiring", "9 % by the weights of evidence above, if it is the vehicle",
         "unlikely"),
        ("Other cause in the vehicle: AC side of the on-board charger",
         "under 1 % by the weights of evidence above, if it is the vehicle", "ruled_out"),
    ]  # fmt: skip
    edge = ruled_out(
        attempts({"p_evse": 0.01, "p_pairing": 0.0999, "p_other": 0.1}),
        peers_row,
        {"unclear": 1.0},
        0.5,
    )
    assert [r.strength for r in edge] == ["unlikely", "unlikely", "open"]


def test_a_claim_that_its_failures_do_not_carry_says_so() -> None:
    """A leak before it bites: its one failure is the EVSE's; the other explanations are weighed against the claim."""
    frame = attempts({"p_vehicle": 0.05, "p_evse": 0.9, "p_pairing": 0.0, "p_other": 0.05}, OK)
    peers_row = {"vehicles": 7, "attempts": 90, "failures": 3}
    made = ruled_out(frame, peers_row, {"pilot_diode_leaky": 1.0}, 0.995)
    aside = "as the reason for the claim, by all the evidence together"
    assert (
        made[0].how
        == f"{aside}; it may explain single failures: 90 % of 1 failed AC attempt since the trouble began is attributed to this"
    )
    assert {r.strength for r in made} == {"ruled_out"}
    silent = ruled_out(attempts(OK), peers_row, {"never_requests": 1.0}, 0.95)
    assert {(r.how, r.strength) for r in silent} == {(aside, "unlikely")}


def test_what_would_refute_the_claim() -> None:
    """For a diode: kΩ and MΩ, -12 V with 9 V, or charging where it is looked for.

    Else the maker's word (derived; regression).
    """
    again = "Unrepaired, it charges at several healthy EVSEs of the control group in a row."
    for diode in ("pilot_diode_shorted", "pilot_diode_leaky"):
        assert refutes(diode) == (
            "The pair of resistance readings is kΩ one way and MΩ the other, as in a healthy vehicle of the model.",
            "On the oscilloscope the negative level in state B is at -12 V while the positive level is at 9 V.",
            again + " They must be known to check the diode.",
        )
    assert refutes("inlet_lock") == (
        "The maker's procedure finds the named part in order and another part at fault.",
        again,
    )


def test_doubts_are_counted() -> None:
    """Each gap of the logs with how many attempts it concerns, and none where there is none."""
    frame = attempts(
        {"check": "unknown"}, {"check": "unknown", "fault": None}, {}, OK | {"fault": None, "check": "unknown"},
        {"supply": "DC", "fault": None, "check": "unknown"}, OK | {"time_doubt": "no time"}, OK | {"distrust": True},
        OK | {"distrust": True, "time_doubt": "guessed"},
    )  # fmt: skip
    levels = "No EVSE it used logs the negative level of the pilot: its circuit is judged by where attempts stop, not by its level."
    counted = (
        "Whether the EVSE checks the diode is not known for 2 of 3 failed AC attempts.",
        "1 of 3 failed AC attempts carry no fault code.",
        "The time of 2 attempts is doubtful (station clock).",
        "2 attempts with records that break a rule of plausibility: less weight.",
    )
    alike = "A shorted diode and one that leaks almost fully look alike in logs; the meter tells."
    assert doubts(frame, 0, "pilot_diode_shorted") == (levels, *counted, alike)
    assert doubts(frame, 5, "pilot_diode_leaky") == counted
    assert doubts(frame, 5, "charger_input") == counted[1:]
    assert doubts(attempts({}), 1, "pilot_diode_leaky") == ()


ROW: dict[str, Any] = {
    "p_vehicle": 0.973, "p_diode": 0.95, "onset": W13, "onset_lo": W13 - timedelta(days=2), "onset_hi": W13 + timedelta(days=1),
    "call": "refer", "suspect": "pilot_diode_shorted",
}  # fmt: skip
SILENT = {"besides": ""}  # nothing but its failures


def test_the_claim_says_how_sure_since_when_and_what() -> None:
    """Probability, onset and the likeliest cause with its share.

    Under one half the part is left open.
    """
    shares = [("pilot_diode_shorted", 0.5), ("charger_input", 0.5)]
    claim = _claim(ROW | SILENT, shares)
    assert claim.text == (
        "The vehicle is at fault with a probability of 97 % since about 2026-03-25. "
        "If it is the vehicle, the likeliest cause is: shorted pilot diode (50 %)."
    )
    assert (claim.call, claim.suspect, claim.suspect_words) == (
        "refer",
        "pilot_diode_shorted",
        "shorted pilot diode",
    )
    assert (claim.p_vehicle, claim.p_diode, claim.suspects) == (0.973, 0.95, tuple(shares))
    assert (claim.onset_utc, claim.onset_lo_utc, claim.onset_hi_utc) == (
        ROW["onset"],
        ROW["onset_lo"],
        ROW["onset_hi"],
    )
    vague = _claim(
        ROW | SILENT | {"p_vehicle": 0.9999, "onset": None, "suspect": None},
        [("inlet_lock", 0.49), ("charger_input", 0.51)],
    )
    assert (
        vague.text
        == "The vehicle is at fault with a probability of over 99 %. Which part of it is open."
    )
    assert (vague.suspect, vague.suspect_words) == ("unclear", "part unclear")


def levels(n: int) -> pl.DataFrame:
    """Readings of one vehicle, as `against_usual` gives them."""
    return pl.DataFrame(
        {"at": [W13] * n, "evse_id": ["E1"] * n, "state": ["B2"] * n, "high_v": [9.0] * n, "low_v": [-8.8] * n,
         "usual_v": [-12.0] * n, "usual_from": ["same_week"] * n, "noise_v": [0.03] * n},
        schema_overrides={"at": UTC_US, "evse_id": pl.String, "state": pl.String, "usual_from": pl.String},
    )  # fmt: skip


SOUND_OR_SHORTED = "a healthy diode gives MΩ, a shorted one 2.74 kΩ."


@pytest.mark.parametrize(
    ("n", "path", "text"),
    [
        (0, (None, None, None), "No EVSE this vehicle used in the look-back logs the negative level of the pilot."),
        (1, (None, None, None), "The readings at hand are too few to judge the CP–PE reverse resistance by."),
        (1, (None, 4.2e5, None),
         "The negative level is at each EVSE's usual level: CP–PE reverse resistance above 420 kΩ, as with a healthy diode."),
        (2, (2750.0, 2650.0, 2850.0),
         "Against each EVSE's own usual negative level the CP–PE reverse resistance is 2.75 kΩ, 90 % interval 2.65 kΩ to 2.85 kΩ; "
         + SOUND_OR_SHORTED),
        (2, (3e5, 1e5, None),
         "Against each EVSE's own usual negative level the CP–PE reverse resistance is 300 kΩ, 90 % interval 100 kΩ to over range; "
         + SOUND_OR_SHORTED),
    ],
)  # fmt: skip
def test_the_pilot_in_words(n: int, path: tuple[float | None, ...], text: str) -> None:
    """What the negative level says, from nothing logged to a figure with its interval.

    R2 is 2.74 kΩ (IEC 61851-1, second-hand).
    """
    names = ("reverse_path_ohm", "reverse_path_lo_ohm", "reverse_path_hi_ohm")
    told = pilot(dict(zip(names, path, strict=True)), levels(n), "pilot_diode_shorted")
    assert told.text == text
    assert tuple(getattr(told, name) for name in names) == path
    assert told.bands == bands()
    reading = {
        "at": W13,
        "evse_id": "E1",
        "state": "B2",
        "high_v": 9.0,
        "low_v": -8.8,
        "usual_low_v": -12.0,
    }
    assert told.readings == (PilotReading(**reading, usual_from="same_week"),) * n


def test_history_is_told_oldest_first_until_the_week_ends() -> None:
    """Reviews and findings of the referred vehicles, a sentence each.

    What came after the week's end is not known yet.
    """
    look_back = LookBack.of("2026-W14", 12)
    day = look_back.to_utc - timedelta(days=20)
    reviews = pl.DataFrame(
        [
            ("V", "2026-W10", "hold", "waits for a part", "Ines", day),
            ("V", "2026-W11", "dismiss", "new cable", "Otto", day + timedelta(days=2)),
            ("V", "2026-W12", "accept", "again", "Ines", day + timedelta(days=4)),
            ("V", "2026-W15", "hold", "later", "Ines", look_back.to_utc),
            ("W", "2026-W10", "hold", "another", "Ines", day),
        ],
        schema=empty("decision_review").schema, orient="row",
    )  # fmt: skip
    found = pl.DataFrame(
        [("V", day + timedelta(days=1), "no_fault_found", None), ("V", day + timedelta(days=5), "diode_shorted", W14)],
        schema={"vehicle_id": pl.String, "at_utc": UTC_US, "finding": pl.String, "repaired_at_utc": UTC_US}, orient="row",
    )  # fmt: skip
    nothing = pl.DataFrame()
    inputs = ReferInputs(
        nothing, Attributed(nothing, nothing, nothing, nothing), nothing, nothing, reviews=reviews,
        findings=join_findings(pl.concat([empty("raw_finding"), found], how="diagonal"), empty("decision_finding")),
    )  # fmt: skip
    assert history(inputs, pl.Series(["V"]), look_back) == {
        "V": (
            "2026-03-17: held by Ines: waits for a part",
            "2026-03-18: the workshop found no_fault_found",
            "2026-03-19: dismissed by Otto: new cable",
            "2026-03-21: accepted by Ines: again",
            "2026-03-22: the workshop found diode_shorted, repaired 2026-04-01",
        )
    }


def test_what_failed_before_the_onset_is_no_part_of_the_claim() -> None:
    """From the early end of the onset on, that instant included; all where there is none."""
    frame = attempts({"plugged_at_utc": W13}, {"plugged_at_utc": W14})
    assert _since(frame, None).height == 2
    assert _since(frame, W13).height == 2
    assert _since(frame, W13 + timedelta(seconds=1)).height == 1
    assert {k: v.height for k, v in by_vehicle(attempts({}, {"vehicle_id": "W"}, {})).items()} == {
        "V": 2,
        "W": 1,
    }


def strip(**changed: Any) -> StripAttempt:
    """An attempt on the strip."""
    usual = {
        "attempt_id": "A", "at": W13, "evse_id": "E1", "site_id": "depot", "coupler": "sType2", "supply": "AC",
        "outcome": "failed", "stage": "offered", "stage_seconds": 4.0, "fault": "PilotFault", "p_vehicle": 0.9,
    }  # fmt: skip
    return StripAttempt(**(usual | changed))


def contrast(colour: str) -> float:
    """Contrast ratio of a colour against white, WCAG 2 relative luminance (from memory)."""
    rgb = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb]
    return 1.05 / (0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2] + 0.05)


def test_the_strip_shows_how_far_each_attempt_came() -> None:
    """The data as they are, the farthest stage on top, outcomes told apart by shape and by colours
    of 3 to 1 on white (WCAG).
    """
    made = strip_chart(
        [
            strip(),
            strip(outcome="charged", stage="delivering", fault=None),
            strip(outcome="declined", stage="plugged"),
            strip(outcome="not_requested", silent=True, fault=None),
        ]
    )
    assert list(made["datasets"]) == ["attempts"]
    assert made["data"] == {"name": "attempts"}
    usual = {
        "at": "2026-03-25T12:00:00+00:00",
        "coupler": "AC, Type 2 socket",
        "EVSE": "E1",
        "fault": "PilotFault",
    }
    assert made["datasets"]["attempts"] == [
        usual | {"reached": "PWM on", "outcome": "failed"},
        usual | {"reached": "charged", "outcome": "charged", "fault": ""},
        usual | {"reached": "plugged in", "outcome": "other"},
        usual | {"reached": "PWM on", "outcome": "never asked", "fault": ""},
    ]
    stages = ["charged", "delivering", "contactor closed", "vehicle asks", "PWM on", "plugged in"]
    encoding = made["encoding"]
    assert encoding["x"] == {
        "axis": {"format": "%-d %b", "labelOverlap": "greedy"}, "field": "at", "title": None, "type": "temporal",
    }  # fmt: skip
    assert encoding["y"] == {
        "field": "reached",
        "scale": {"domain": stages},
        "sort": stages,
        "title": None,
        "type": "nominal",
    }
    assert encoding["row"] == {"field": "coupler", "title": None, "type": "nominal"}
    assert [t["field"] for t in encoding["tooltip"]] == [
        "at",
        "EVSE",
        "reached",
        "outcome",
        "fault",
    ]
    assert encoding["shape"]["scale"]["range"] == ["circle", "cross", "square", "diamond"]
    for way in ("shape", "color"):
        assert (encoding[way]["field"], encoding[way]["title"]) == ("outcome", None)
        assert encoding[way]["scale"]["domain"] == ["charged", "failed", "never asked", "other"]
    colours = encoding["color"]["scale"]["range"]
    assert len(set(colours)) == 4
    assert min(map(contrast, colours)) >= 3
    assert "config" not in made
    assert made["mark"]["type"] == "point"
    by_stage = strip_chart(
        [strip(stage=s) for s in ("plugged", "offered", "requested", "energised", "delivering")]
    )
    assert [row["reached"] for row in by_stage["datasets"]["attempts"]] == stages[:0:-1]


def test_the_pilot_chart_shows_levels_against_bands() -> None:
    """Low sides and usual levels in V over time, on the bands of a sound and a shorted diode.

    None without a negative level.
    """
    reading = PilotReading(
        at=W13,
        evse_id="E1",
        state="C2",
        high_v=6.0,
        low_v=-5.6,
        usual_low_v=-12.0,
        usual_from="same_week",
    )
    silent = reading.model_copy(update={"low_v": None})
    assert pilot_chart([silent], bands()) is None
    assert pilot_chart([], bands()) is None
    made = pilot_chart([reading, silent], bands())
    assert made is not None
    assert made["datasets"]["readings"] == [
        {
            "at": "2026-03-25T12:00:00+00:00",
            "low_v": -5.6,
            "usual_low_v": -12.0,
            "state": "C2",
            "EVSE": "E1",
        }
    ]
    low: list[Band] = [b for b in bands() if b.side == "low"]
    names = list(dict.fromkeys(b.name for b in low))
    assert {(a["band"], a["lo_v"], a["hi_v"]) for a in made["datasets"]["bands"]} == {
        (b.name, b.lo_v, b.hi_v) for b in low
    }
    band, usual, mine = made["layer"]
    assert [layer["data"]["name"] for layer in made["layer"]] == ["bands", "readings", "readings"]
    assert [layer["mark"]["type"] for layer in made["layer"]] == ["rect", "tick", "point"]
    assert (band["encoding"]["y"]["field"], band["encoding"]["y"]["title"]) == (
        "lo_v",
        "negative level of the pilot, V",
    )
    assert (band["encoding"]["y"]["type"], band["encoding"]["y2"]["field"]) == (
        "quantitative",
        "hi_v",
    )
    assert (band["encoding"]["color"]["field"], band["encoding"]["color"]["title"]) == (
        "band",
        None,
    )
    assert band["encoding"]["color"]["scale"]["domain"] == names
    colours = band["encoding"]["color"]["scale"]["range"]
    assert len(set(colours)) == len(names)
    assert all(re.fullmatch("#[0-9a-f]{6}", colour) for colour in colours)
    for layer, field in ((usual, "usual_low_v"), (mine, "low_v")):
        assert layer["encoding"]["x"]["field"] == "at"
        assert layer["encoding"]["y"] == {"field": field, "type": "quantitative"}
    assert mine["encoding"]["shape"] == {"field": "state", "title": None, "type": "nominal"}
    assert [t["field"] for t in mine["encoding"]["tooltip"]] == [
        "at",
        "EVSE",
        "state",
        "low_v",
        "usual_low_v",
    ]
    assert "config" not in made


FIGURES: dict[str, Any] = {
    "ac_attempts": 3, "ac_failures": 2, "evses_failed_at": 1, "early_b_failures": 1, "dc_attempts": 5, "dc_charged": 4,
    "reverse_path_ohm": 2750.0, "reverse_path_lo_ohm": 2650.0, "reverse_path_hi_ohm": 2850.0, "p_vehicle": 0.97,
    "p_diode": 0.9, "silent": 0, "unseen": 0, "stays": 0, "unseen_since_utc": None,
}  # fmt: skip


def three_vehicles() -> tuple[Judged, pl.DataFrame, pl.DataFrame, pl.DataFrame, ReferInputs]:
    """U and V referred, W watched: judged, called, out, attempts, inputs."""
    tables = learnt("vehicle", empty("decision_lesson"))
    units = ["U", "V", "W"]
    signs = pl.DataFrame(
        [("U", "trouble_code", "stored", 1.0), ("V", "stopped_at", "early_b", 1.0), ("W", "drift", "steady", 1.0)],
        schema=["unit", "signature", "category", "amount"], orient="row",
    )  # fmt: skip
    prior = np.tile(tables["vehicle_prior"].table, (3, 1))
    verdicts = weigh(signs, pl.Series("unit", units), tables, prior, 1e9)
    lows = pl.concat([levels(2), levels(1).with_columns(low_v=pl.lit(-12.0))]).with_columns(
        vehicle_id=pl.Series(["V", "V", "W"]), attempt_id=pl.Series(["A2", "A1", "A3"])
    )
    judged = Judged(
        pl.DataFrame({"vehicle_id": units}),
        verdicts.given_fault,
        signs,
        verdicts,
        prior,
        tables,
        lows,
        no_levels(len(units), prior.shape[1]),
        pl.DataFrame(),
    )
    usual = {
        "coupler": "sType2", "stage": "offered", "stage_seconds": 4.0, "vehicle_id": "V", "site_id": "depot"
    }  # fmt: skip
    frame = attempts(
        usual | {"plugged_at_utc": W13 - timedelta(days=9), "p_evse": 0.9}, usual,
        usual | OK | {"vehicle_id": "U", "site_id": "yard"},
        usual | {"vehicle_id": "W"},
    )  # fmt: skip
    bounds = {"onset_lo_utc": W13 - timedelta(days=1), "suspect": "pilot_diode_shorted"}
    called = pl.DataFrame(
        [FIGURES | bounds | {"vehicle_id": v, "call": "refer"} for v in ("W", "V", "U")],
        schema_overrides={"onset_lo_utc": UTC_US, "unseen_since_utc": UTC_US},
    )
    out = pl.DataFrame(
        [
            FIGURES | {"vehicle_id": "U", "call": "refer", "suspect": None, "onset": None, "onset_lo": None, "onset_hi": None},
            FIGURES | ROW | {"vehicle_id": "V"}, FIGURES | ROW | {"vehicle_id": "W", "call": "watch"},
        ]
    )  # fmt: skip
    fleet = pl.DataFrame(
        [("V", "Crate", 2023, "VIN-V", "cCCS2;cG105"), ("W", "Barrow", 2020, "VIN-W", "cType1")], orient="row",
        schema=["vehicle_id", "vehicle_model", "model_year", "vin", "inlets"],
    )  # fmt: skip
    nothing = pl.DataFrame()
    review = pl.DataFrame(
        [("V", "2026-W10", "hold", "x", "Ines", W13)],
        schema=empty("decision_review").schema,
        orient="row",
    )
    inputs = ReferInputs(
        nothing, Attributed(nothing, nothing, nothing, nothing), fleet, nothing, reviews=review
    )
    return judged, called, out, frame, inputs


def test_a_pack_is_put_together_from_its_own_vehicle_s_rows() -> None:
    """Of three vehicles two are referred.

    Each pack holds that vehicle's facts, in every part, and nothing of the others.
    """
    look_back = LookBack.of("2026-W14", 12)
    judged, called, out, frame, inputs = three_vehicles()
    made = packs(inputs, frame, judged, called, out, look_back)
    assert sorted(made) == ["U", "V"]
    v, u = made["V"], made["U"]
    assert (v.week, v.look_back_from_utc, v.look_back_to_utc) == (
        "2026-W14",
        look_back.from_utc,
        look_back.to_utc,
    )
    assert v.vehicle.model_dump() == {
        "vehicle_id": "V", "vehicle_model": "Crate", "model_year": 2023, "vin": "VIN-V", "inlets": ("cCCS2", "cG105"),
    }  # fmt: skip
    assert u.vehicle.model_dump() == {
        "vehicle_id": "U",
        "vehicle_model": None,
        "model_year": None,
        "vin": None,
        "inlets": (),
    }
    assert (v.claim.suspect, u.claim.suspect) == ("pilot_diode_shorted", "unclear")
    order = np.argsort(-judged.given[1], kind="stable")
    assert v.claim.suspects == tuple(
        (judged.verdicts.suspects[i], judged.given[1, i]) for i in order
    )
    assert v.tally.model_dump() == {name: FIGURES[name] for name in type(v.tally).model_fields}
    assert [w.signature for w in v.weights] == ["stopped_at"]
    assert [w.signature for w in u.weights] == ["trouble_code"]
    assert [(a.attempt_id, a.at) for a in v.strip] == [("A0", W13 - timedelta(days=9)), ("A1", W13)]
    assert [(a.attempt_id, a.site_id) for a in u.strip] == [("A2", "yard")]
    assert [row["at"] for row in v.strip_chart["datasets"]["attempts"]] == [
        a.at.isoformat() for a in v.strip
    ]
    assert {c.week for c in v.controls} == {"2026-W12", "2026-W13"}
    assert "where V failed" in v.controls_text
    assert u.controls == ()
    assert [r.low_v for r in v.pilot.readings] == [-8.8, -8.8]
    assert (v.pilot.reverse_path_ohm, v.pilot.reverse_path_lo_ohm, v.pilot.reverse_path_hi_ohm) == (
        2750.0,
        2650.0,
        2850.0,
    )
    assert v.pilot_chart is not None
    assert (u.pilot.readings, u.pilot_chart) == ((), None)
    assert v.ruled_out[0].how.startswith(
        "5 % of 1 failed AC attempt since the trouble began is attributed to this: it failed at 1 EVSE;"
    )
    assert "2 other vehicles of the model failed 1 of 2" in v.ruled_out[1].how
    assert [r.explanation for r in v.ruled_out[3:]] == [
        f"Other cause in the vehicle: {SUSPECTS[s]}" for s, _ in v.claim.suspects[1:]
    ]
    assert v.bench == bench("pilot_diode_shorted", ("cCCS2", "cG105"), (2750.0, 2650.0, 2850.0))
    assert v.refutes == refutes("pilot_diode_shorted")
    assert v.doubts == (
        "A shorted diode and one that leaks almost fully look alike in logs; the meter tells.",
    )
    assert u.doubts[0].startswith("No EVSE it used logs the negative level")
    assert v.history == ("2026-03-25: held by Ines: x",)
    assert u.history == ()
    assert v.form == FORM
    assert (
        packs(inputs, frame, judged, called, out.filter(pl.col("call") == "watch"), look_back) == {}
    )


def test_a_vehicle_no_evse_ever_saw_has_a_pack_of_its_visits() -> None:
    """With the pilot line open there may be no attempt at all: the pack says so, in the list's words, and names the visits."""
    look_back = LookBack.of("2026-W14", 12)
    judged, called, out, frame, inputs = three_vehicles()
    told = [
        ("U", W13 + timedelta(days=i, hours=hours), event)
        for i in range(3)
        for hours, event in ((0, "plugged"), (2, "unplugged"))
    ]
    charging = empty("raw_charging").join(
        pl.DataFrame(told, schema=["vehicle_id", "at_utc", "event"], orient="row").cast(
            {"at_utc": UTC_US}
        ),
        on=["vehicle_id", "at_utc", "event"],
        how="right",
    )
    known = pl.DataFrame(
        {"vehicle_id": ["U"], "since_utc": [None]}, schema_overrides={"since_utc": UTC_US}
    )
    unseen = {"ac_attempts": 0, "suspect": "pilot_open", "unseen": 2, "stays": 2, "unseen_since_utc": W13 + timedelta(days=1)}  # fmt: skip
    row = called.filter(pl.col("vehicle_id") == "U").to_dicts()[0] | unseen
    made = packs(
        replace(inputs, charging=charging),
        frame.filter(pl.col("vehicle_id") != "U").with_columns(
            unplugged_at_utc=pl.col("plugged_at_utc"), source=pl.lit("ocpp")
        ),
        replace(judged, since=known),
        pl.DataFrame([row], schema=called.schema),
        out.filter(pl.col("vehicle_id") == "U").with_columns(suspect=pl.lit("pilot_open")),
        look_back,
    )["U"]
    assert made.strip == ()
    assert made.controls == ()
    assert made.claim.text.endswith(
        "At 2 of its last 2 visits no EVSE saw it plugged in, by its own report or with its card accepted."
    )
    assert [v.model_dump() for v in made.unseen] == [
        {"at": W13 + timedelta(days=i), "evse_id": None} for i in (1, 2)
    ]


def test_a_pack_s_parts_are_what_is_declared() -> None:
    """No part can be changed, lack a field or bear an unknown name.

    Probabilities lie in [0, 1], factors above 0.
    """
    claim = _claim(ROW | SILENT, [("inlet_lock", 1.0)])
    with pytest.raises(ValidationError, match="frozen"):
        claim.p_vehicle = 0.5  # type: ignore[misc]
    told = claim.model_dump()
    with pytest.raises(ValidationError, match="Extra inputs"):
        type(claim).model_validate(told | {"certainty": 1})
    for name in ("p_vehicle", "p_diode"):
        for edge in (0.0, 1.0):
            assert getattr(type(claim).model_validate(told | {name: edge}), name) == edge
        for beyond in (-0.01, 1.01):
            with pytest.raises(ValidationError, match=name):
                type(claim).model_validate(told | {name: beyond})
    weight = Weight(
        signature="s", title="t", seen="x", factor=0.01, log_factor=-4.6, words="w", source="z"
    )
    with pytest.raises(ValidationError, match="factor"):
        Weight.model_validate(weight.model_dump() | {"factor": 0.0})
    assert Evidence.model_fields["version"].default == EVIDENCE_VERSION == 1
    optional = {
        (part.__name__, n)
        for part in Part.__subclasses__()
        for n, f in part.model_fields.items()
        if not f.is_required()
    }
    assert optional == {
        ("Evidence", "version"), ("Evidence", "unseen"), ("FormField", "choices"),
        ("Control", "silent"), ("Control", "other_silent"), ("StripAttempt", "silent"),
    }  # fmt: skip
    assert FormField(label="Note", column="note", unit=None).choices == ()

"""For each rule the least record that breaks it and the nearest one that does not.

Limits come from the rule's own clause (schemas/rules); the values here stand a step to each side of
them.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any, NamedTuple

from .worlds import BASE, Row, World


class Case(NamedTuple):
    """A world in which the rule catches something, and the nearest in which it judges and catches
    nothing.
    """

    breaks: World
    sound: World


def pilot(*rows: tuple[Any, ...], **same: Any) -> World:
    """Pilot rows (second, state, contactor, more as a dict)."""
    made = [
        {
            "at_utc": t,
            "pilot_state": state,
            "contactor": contactor,
            **(more[0] if more else {}),
            **same,
        }
        for t, state, contactor, *more in rows
    ]
    return {"core_pilot": made}


def one(state: str, **values: Any) -> World:
    """One pilot row."""
    return pilot((0, state, "open", values))


def held(before: str, **values: Any) -> World:
    """F after another state."""
    return pilot((0, before, "open", {"high_v": 9.0}), (1, "F", "open", values))


def metered(*told: tuple[str, float, str, str | None], **more: Any) -> World:
    """Samples (measurand, value, unit, phase) of one moment, 100 s after BASE, in transaction 1."""
    same = {"transaction_id": "1", "connector_id": 1, "line": 7, "receiver_at_utc": 100}
    rows = [
        {"measurand": m, "sample_value": v, "unit": u, "phase": p, "station_at_utc": 100, **same}
        for m, v, u, p in told
    ]
    said = {"at_utc": 100, "action": "MeterValues", "transaction_id": "1", "line": 7}
    return {"raw_sample": rows, "core_signal": [said], **more}


AMPS = "Current.Import"
ASKING = pilot((0, "B2", "open", {"duty_pct": 26.67}), (10, "C2", "closed", {"duty_pct": 26.67}))


def flowing(state: str, contactor: str, watts: float = 5000.0) -> World:
    """Power at 100 s, in a state held from 10 to 200 s."""
    rows = pilot((0, "A1", "open"), (10, state, contactor), (200, "A1", "open"))
    return metered(("Power.Active.Import", watts, "W", None), **rows)


def statuses(*rows: tuple[Any, ...], **same: Any) -> World:
    """StatusNotifications (status, error code), a minute apart."""
    return {
        "core_signal": [
            {"at_utc": 60 * i, "status": status, "error_code": code, **same}
            for i, (status, code) in enumerate(rows)
        ]
    }


def start(t: float, **more: Any) -> Row:
    """A StartTransaction."""
    return {"at_utc": t, "action": "StartTransaction", "transaction_id": "1", **more}


def stop(t: float, **more: Any) -> Row:
    """A StopTransaction."""
    return {"at_utc": t, "action": "StopTransaction", "transaction_id": "1", **more}


def events(*rows: tuple[float, int]) -> World:
    """2.0.1 TransactionEvents (second, seqNo)."""
    kind = {
        "action": "TransactionEvent",
        "version": "2.0.1",
        "event_type": "Updated",
        "transaction_id": "1",
    }
    return {"core_signal": [{"at_utc": t, "seq_no": number, **kind} for t, number in rows]}


def attempt(**values: Any) -> World:
    """One attempt of an hour with 7 kWh, known vehicle."""
    return {"core_attempt": [hour(0, **values)]}


def hour(t: float, **values: Any) -> Row:
    """An attempt that begins at `t`."""
    return {
        "attempt_id": f"a{t}", "plugged_at_utc": t, "unplugged_at_utc": t + 3600, "energy_kwh": 7.0,
        "vehicle_id": "v1", "id_token": "t1", "stage_seconds": 3000.0, **values,
    }  # fmt: skip


def vehicle(case: World, **values: Any) -> World:
    """A world with another vehicle v1."""
    return {**case, "core_vehicle": [values]}


def samples(
    *values: float, measurand: str = "Energy.Active.Import.Register", unit: str = "Wh"
) -> World:
    """Sampled values a minute apart in one transaction."""
    same = {"measurand": measurand, "unit": unit, "transaction_id": "1", "connector_id": 1}
    return {
        "raw_sample": [
            {"receiver_at_utc": 60 * i, "station_at_utc": 60 * i, "sample_value": value, **same}
            for i, value in enumerate(values)
        ]
    }


def clock(**values: Any) -> World:
    """One segment of a clock."""
    return {"core_clock": [{"station_id": "s1", **values}]}


def vehicle_says(**values: Any) -> World:
    """One event of the vehicle."""
    return {
        "raw_charging": [
            {"at_utc": 0, "vehicle_id": "v1", "soc_pct": 50.0, "inlet": "cType2", **values}
        ]
    }


FOLD_S = (datetime(2026, 10, 25, 1, 30, tzinfo=UTC) - BASE).total_seconds()
"""Within the second of the two hours from 02:00 in Oslo."""


def received_locally(t: float) -> World:
    """A frame the receiver stamped in Oslo's time."""
    return {
        "raw_frame": [{"receiver_at_utc": t, "unzoned": ["receiver_at_utc"], "zone": "Europe/Oslo"}]
    }


def finding(word: str, **values: Any) -> World:
    """One finding."""
    return {"raw_finding": [{"at_utc": 0, "finding": word, **values}]}


def tokens(*rows: tuple[str, float, float]) -> World:
    """Assignments of token t1 (vehicle, from, to)."""
    return {
        "core_token": [
            {"id_token": "t1", "vehicle_id": name, "valid_from_utc": a, "valid_to_utc": b}
            for name, a, b in rows
        ]
    }


DAY = 86400
SHUT, OPEN = "closed", "open"
CASES: dict[str, Case] = {
    # pilot_sequence
    "pilot_c_without_b": Case(
        pilot((0, "A1", OPEN), (5, "C2", OPEN)),
        pilot((0, "A1", OPEN), (4, "B2", OPEN), (5, "C2", OPEN)),
    ),
    "pilot_c_after_error": Case(
        pilot((0, "E", OPEN), (5, "C2", OPEN)),
        pilot((0, "E", OPEN), (4, "B2", OPEN), (5, "C2", OPEN)),
    ),
    "contactor_closed_in_a": Case(
        pilot((0, "C2", SHUT), (5, "A1", SHUT), (5.25, "A1", OPEN)),
        pilot((0, "C2", SHUT), (5, "A1", SHUT), (5.05, "A1", OPEN)),
    ),
    "contactor_closed_in_b": Case(
        pilot((0, "A1", OPEN), (5, "B1", SHUT)), pilot((0, "A1", OPEN), (5, "B1", OPEN))
    ),
    "contactor_slow_to_open": Case(
        pilot((0, "C2", SHUT), (5, "B2", SHUT), (5.25, "B2", OPEN)),
        pilot((0, "C2", SHUT), (5, "B2", SHUT), (5.05, "B2", OPEN)),
    ),
    "contactor_closed_in_e": Case(
        pilot((0, "C2", SHUT), (5, "E", SHUT), (8.3, "E", OPEN)),
        pilot((0, "C2", SHUT), (5, "E", SHUT), (7.7, "E", OPEN)),
    ),
    "contactor_closed_in_f": Case(
        pilot((0, "C2", SHUT), (5, "F", SHUT), (8.3, "F", OPEN)),
        pilot((0, "C2", SHUT), (5, "F", SHUT), (7.7, "F", OPEN)),
    ),
    "contactor_late": Case(
        pilot((0, "B2", OPEN), (5, "C2", OPEN), (8.3, "C2", SHUT)),
        pilot((0, "B2", OPEN), (5, "C2", OPEN), (7.7, "C2", SHUT)),
    ),
    "contactor_kept_in_c1": Case(
        pilot((0, "C2", SHUT), (5, "C1", SHUT), (35.3, "C1", OPEN)),
        pilot((0, "C2", SHUT), (5, "C1", SHUT), (34.7, "C1", OPEN)),
    ),
    "f_too_short": Case(
        pilot((0, "F", OPEN), (0.25, "A1", OPEN)), pilot((0, "F", OPEN), (0.35, "A1", OPEN))
    ),
    "a2_stays": Case(
        pilot((0, "A2", OPEN), (61.5, "A1", OPEN)), pilot((0, "A2", OPEN), (58.5, "A1", OPEN))
    ),
    "pwm_in_a1": Case(one("A1", duty_pct=50.0), one("A1", duty_pct=100.0)),
    "pwm_while_off": Case(one("B1", duty_pct=26.67), one("B1", duty_pct=100.0)),
    "pwm_missing": Case(one("B2", duty_pct=100.0), one("B2", duty_pct=26.67)),
    # pilot_level: B2 8.22 V, C2 5.17 V and D2 2.14 V are the least a shorted diode gives (derived)
    # and must pass
    "level_a": Case(one("A1", high_v=10.8), one("A1", high_v=11.0)),
    "level_b": Case(one("B2", high_v=7.8), one("B2", high_v=8.22)),
    "level_c": Case(one("C2", high_v=4.9), one("C2", high_v=5.17)),
    "level_d": Case(one("D2", high_v=2.0), one("D2", high_v=2.14)),
    "level_e": Case(one("E", high_v=1.6), one("E", high_v=1.4)),
    "f_not_minus_12_high": Case(held("A1", high_v=12.0), held("A1", high_v=-11.0)),
    "f_not_minus_12_low": Case(held("A1", low_v=-10.8), held("A1", low_v=-11.0)),
    "low_side_off_in_a2": Case(one("A2", low_v=-10.8), one("A2", low_v=-11.0)),
    "low_side_missing": Case(one("D2", low_v=-0.9), one("D2", low_v=-2.14)),
    "low_side_without_pwm": Case(one("B1", low_v=-1.1), one("B1", low_v=-0.9)),
    "low_side_too_low": Case(one("B2", low_v=-13.2), one("B2", low_v=-13.0)),
    "levels_swapped": Case(one("B2", high_v=-12.0, low_v=9.0), one("F", high_v=-12.0, low_v=-11.6)),
    "level_beyond_supply": Case(one("B2", high_v=15.1), one("B2", high_v=14.9)),
    "duty_not_percent": Case(one("B2", duty_pct=101.0), one("B2", duty_pct=100.0)),
    "duty_means_no_charging": Case(one("B2", duty_pct=7.5), one("B2", duty_pct=8.0)),
    "duty_above_rating": Case(one("B2", duty_pct=55.1), one("B2", duty_pct=53.33)),
    "dc_duty_not_5": Case(
        {**one("B2", duty_pct=8.0), "core_evse": [{"supply": "DC", "connector_type": "cCCS2"}]},
        {**one("B2", duty_pct=5.0), "core_evse": [{"supply": "DC", "connector_type": "cCCS2"}]},
    ),
    # ocpp
    "status_move_not_allowed": Case(
        statuses(("Available", "NoError"), ("Finishing", "NoError")),
        statuses(("Available", "NoError"), ("Preparing", "NoError")),
    ),
    "ev_communication_error_status": Case(
        statuses(("Faulted", "EVCommunicationError")),
        statuses(("SuspendedEV", "EVCommunicationError")),
    ),
    "connector_0_status": Case(
        statuses(("Preparing", "NoError"), connector_id=0),
        statuses(("Faulted", "NoError"), connector_id=0),
    ),
    "status_word_16": Case(statuses(("Occupied", "NoError")), statuses(("Preparing", "NoError"))),
    "status_word_201": Case(
        statuses(("Preparing", None), version="2.0.1"),
        statuses(("Occupied", None), version="2.0.1"),
    ),
    "error_code_word": Case(
        statuses(("Faulted", "DiodeFault")), statuses(("Faulted", "OtherError"))
    ),
    "faulted_without_code": Case(
        statuses(("Faulted", "NoError")), statuses(("Faulted", "OtherError"))
    ),
    "connector_not_listed": Case(
        statuses(("Available", "NoError"), connector_id=2, evse_id=None),
        statuses(("Available", "NoError"), connector_id=1),
    ),
    "charging_in_f": Case(
        {
            **pilot((0, "F", OPEN), (60, "A1", OPEN)),
            "core_signal": [{"at_utc": 30, "status": "Charging"}],
        },
        {
            **pilot((0, "F", OPEN), (60, "A1", OPEN)),
            "core_signal": [{"at_utc": 9, "status": "Charging"}],
        },
    ),
    "charging_not_asked": Case(
        {
            **pilot((0, "A1", OPEN), (10, "B2", OPEN), (60, "A1", OPEN)),
            "core_signal": [{"at_utc": 30, "status": "Charging"}],
        },
        {
            **pilot((0, "A1", OPEN), (10, "C2", SHUT), (60, "A1", OPEN)),
            "core_signal": [{"at_utc": 30, "status": "Charging"}],
        },
    ),
    "available_in_transaction": Case(
        {"core_signal": [start(0), {"at_utc": 62, "status": "Available"}, stop(124)]},
        {"core_signal": [start(0), {"at_utc": 62, "status": "Available"}, stop(121)]},
    ),
    "transaction_without_end": Case(
        {"core_signal": [start(0)]}, {"core_signal": [start(0), stop(60)]}
    ),
    "transaction_without_start": Case(
        {"core_signal": [stop(60)]}, {"core_signal": [start(0), stop(60)]}
    ),
    "transaction_ended_twice": Case(
        {"core_signal": [start(0), stop(60), stop(90)]}, {"core_signal": [start(0), stop(60)]}
    ),
    "transaction_ends_before_start": Case(
        {"core_signal": [start(10), stop(7, clock_error_s=1.0)]},
        {"core_signal": [start(10), stop(9, clock_error_s=1.0)]},
    ),
    "seq_no_gap": Case(events((0, 0), (60, 2)), events((0, 0), (60, 1))),
    "seq_no_repeated": Case(events((0, 0), (60, 0)), events((0, 0), (60, 1))),
    "seq_no_against_time": Case(events((60, 0), (58, 1)), events((60, 0), (59.5, 1))),
    # energy
    "energy_negative": Case(attempt(energy_kwh=-0.1), attempt(energy_kwh=0.0)),
    "energy_absurd": Case(attempt(energy_kwh=74.0), attempt(energy_kwh=73.0)),
    "energy_above_rating": Case(attempt(energy_kwh=24.5), attempt(energy_kwh=24.2)),
    "energy_above_vehicle": Case(attempt(energy_kwh=12.4), attempt(energy_kwh=12.2)),
    "energy_not_energised": Case(
        attempt(stage="requested", energy_kwh=0.2), attempt(stage="requested", energy_kwh=0.0)
    ),
    "energy_after_early_fault": Case(
        attempt(early_b=True, energy_kwh=0.2), attempt(early_b=True, energy_kwh=0.0)
    ),
    "duration_negative": Case(
        attempt(unplugged_at_utc=-3, clock_error_s=1.0),
        attempt(unplugged_at_utc=-1, clock_error_s=1.0),
    ),
    "duration_absurd": Case(attempt(unplugged_at_utc=61 * DAY), attempt(unplugged_at_utc=59 * DAY)),
    "stage_longer_than_attempt": Case(attempt(stage_seconds=3602.0), attempt(stage_seconds=3600.0)),
    "meter_stop_below_start": Case(
        {"core_signal": [start(0, meter_wh=500.0), stop(60, meter_wh=499.0)]},
        {"core_signal": [start(0, meter_wh=500.0), stop(60, meter_wh=500.0)]},
    ),
    "meter_below_last_stop": Case(
        {
            "core_signal": [
                start(0, meter_wh=0.0),
                stop(60, meter_wh=500.0),
                start(90, meter_wh=499.0, transaction_id="2"),
            ]
        },
        {
            "core_signal": [
                start(0, meter_wh=0.0),
                stop(60, meter_wh=500.0),
                start(90, meter_wh=500.0, transaction_id="2"),
            ]
        },
    ),
    "register_backwards": Case(samples(100.0, 98.0), samples(100.0, 100.0)),
    "register_nought": Case(samples(100.0, 0.0), samples(100.0, 100.0)),
    "register_rolled_over": Case(samples(999_900.0, 100.0), samples(999_000.0, 999_900.0)),
    "current_above_offer": Case(
        metered((AMPS, 18.7, "A", "L1"), **ASKING), metered((AMPS, 18.5, "A", "L1"), **ASKING)
    ),
    "current_on_other_phases": Case(
        vehicle(metered((AMPS, 2.1, "A", "L2"), **attempt(transaction_id="1")), ac_phases=1),
        vehicle(metered((AMPS, 1.9, "A", "L2"), **attempt(transaction_id="1")), ac_phases=1),
    ),
    "power_not_volts_times_amps": Case(
        metered(
            (AMPS, 10.0, "A", "L1"),
            ("Voltage", 230.0, "V", "L1-N"),
            ("Power.Active.Import", 3200.0, "W", None),
        ),
        metered(
            (AMPS, 10.0, "A", "L1"),
            ("Voltage", 230.0, "V", "L1-N"),
            ("Power.Active.Import", 3100.0, "W", None),
        ),
    ),
    "power_without_asking": Case(flowing("B2", OPEN), flowing("C2", SHUT)),
    "soc_falls_while_importing": Case(
        attempt(soc_plug_pct=50.0, soc_leave_pct=47.9),
        attempt(soc_plug_pct=50.0, soc_leave_pct=48.1),
    ),
    "pulled_beside_the_diode": Case(
        attempt(pilot_low_samples=4, pilot_low_b_v=-9.6, pilot_low_c_v=-9.6, pilot_high_b_v=7.5),
        attempt(pilot_low_samples=4, pilot_low_b_v=-8.8, pilot_low_c_v=-5.6, pilot_high_b_v=8.5),
    ),
    "register_leap": Case(samples(0.0, 1000.0), samples(0.0, 900.0)),
    "meter_leap": Case(
        {"core_signal": [start(0, meter_wh=0.0), stop(3600, meter_wh=27_000.0)]},
        {"core_signal": [start(0, meter_wh=0.0), stop(3600, meter_wh=26_800.0)]},
    ),
    "power_above_rating": Case(
        samples(26.5, measurand="Power.Active.Import", unit="kW"),
        samples(26.3, measurand="Power.Active.Import", unit="kW"),
    ),
    "soc_sample_not_percent": Case(
        samples(101.0, measurand="SoC", unit="Percent"),
        samples(100.0, measurand="SoC", unit="Percent"),
    ),
    "soc_event_not_percent": Case(vehicle_says(soc_pct=-1.0), vehicle_says(soc_pct=0.0)),
    # identity
    "vehicle_in_two_places": Case(
        {"core_attempt": [hour(0), hour(3000, evse_id="e2", connector_id=2)]},
        {"core_attempt": [hour(0), hour(3600, evse_id="e2", connector_id=2)]},
    ),
    "evse_overlap": Case(
        {"core_attempt": [hour(0), hour(3000, vehicle_id="v2")]},
        {"core_attempt": [hour(0), hour(3600, vehicle_id="v2")]},
    ),
    "token_conflict": Case(
        tokens(("v1", 0, 100), ("v2", 99, 200)), tokens(("v1", 0, 100), ("v2", 100, 200))
    ),
    "token_span_reversed": Case(tokens(("v1", 100, 0)), tokens(("v1", 0, 100))),
    "attempt_in_token_conflict": Case(
        attempt(vehicle_id=None, vehicle_known_by="conflict"), attempt()
    ),
    "token_not_listed": Case(attempt(vehicle_id=None, vehicle_known_by="none"), attempt()),
    "vehicle_not_listed": Case(attempt(vehicle_id="v9"), attempt()),
    "pilot_connector_not_listed": Case(
        {"raw_pilot": [{"connector_id": 2}]}, {"raw_pilot": [{"connector_id": 1}]}
    ),
    "exported_start_twice": Case(
        {"raw_session": [{"plugged_at_utc": 0, "unplugged_at_utc": t} for t in (3600, 3661)]},
        {"raw_session": [{"plugged_at_utc": 0, "unplugged_at_utc": t} for t in (3600, 3659)]},
    ),
    "exported_evse_not_listed": Case(
        {"raw_session": [{"evse_id": "e9"}]}, {"raw_session": [{"evse_id": "e1"}]}
    ),
    "vehicle_out_of_service": Case(
        vehicle(attempt(), in_service_from_utc=1), vehicle(attempt(), in_service_from_utc=0)
    ),
    "ac_on_dc_connector": Case(attempt(coupler="cCCS2"), attempt(coupler="cType2")),
    "dc_on_ac_connector": Case(
        attempt(supply="DC", coupler="sType2"), attempt(supply="DC", coupler="cCCS2")
    ),
    "coupler_not_on_vehicle": Case(
        vehicle(attempt(coupler="cType2"), inlets="cCCS1"),
        vehicle(attempt(coupler="cType2"), inlets="cCCS2"),
    ),
    "vehicle_stay_not_seen": Case(
        {**vehicle_says(event="plugged", at_utc=3600 + 181), **attempt()},
        {**vehicle_says(event="plugged", at_utc=3600 + 179), **attempt()},
    ),
    "inlet_not_on_vehicle": Case(vehicle_says(inlet="cG105"), vehicle_says(inlet="cType2")),
    "finding_not_shorted": Case(
        finding("diode_shorted", cp_pe_reverse_ohm=40_000.0),
        finding("diode_shorted", cp_pe_reverse_ohm=2_740.0),
    ),
    "finding_looks_shorted": Case(
        finding("no_fault_found", cp_pe_forward_ohm=2_740.0, cp_pe_reverse_ohm=2_740.0),
        finding("no_fault_found", cp_pe_forward_ohm=3_300.0, cp_pe_reverse_ohm=20e6),
    ),
    # time: the standing world's last frame and file come 10 days after BASE
    "attempt_in_future": Case(
        {"core_attempt": [hour(11 * DAY + 60)]}, {"core_attempt": [hour(11 * DAY - 60)]}
    ),
    "attempt_before_equipment": Case(
        {"core_attempt": [hour(-17 * 365.25 * DAY)]}, {"core_attempt": [hour(-16 * 365.25 * DAY)]}
    ),
    "attempt_before_model_year": Case(
        vehicle(attempt(), model_year=2029), vehicle(attempt(), model_year=2028)
    ),
    "attempt_without_clock": Case(attempt(time_doubt="no_clock"), attempt(time_doubt="fold")),
    "attempt_at_clock_change": Case(attempt(time_doubt="fold"), attempt(time_doubt="no_clock")),
    "vehicle_event_at_clock_change": Case(
        vehicle_says(event="plugged", time_doubt="fold"), vehicle_says(event="plugged")
    ),
    "receiver_at_clock_change": Case(received_locally(FOLD_S), received_locally(FOLD_S + 3600)),
    "attempt_time_vague": Case(attempt(clock_error_s=3601.0), attempt(clock_error_s=3599.0)),
    "signal_in_future": Case(
        {"core_signal": [{"at_utc": 11 * DAY + 60, "status": "Available"}]},
        {"core_signal": [{"at_utc": 11 * DAY - 60, "status": "Available"}]},
    ),
    "signal_before_equipment": Case(
        {"core_signal": [{"at_utc": -17 * 365.25 * DAY}]},
        {"core_signal": [{"at_utc": -16 * 365.25 * DAY}]},
    ),
    "pilot_in_future": Case(pilot((11 * DAY + 60, "A1", OPEN)), pilot((11 * DAY - 60, "A1", OPEN))),
    "pilot_before_equipment": Case(
        pilot((-17 * 365.25 * DAY, "A1", OPEN)), pilot((-16 * 365.25 * DAY, "A1", OPEN))
    ),
    "vehicle_event_in_future": Case(
        vehicle_says(at_utc=11 * DAY + 60), vehicle_says(at_utc=11 * DAY - 60)
    ),
    "clock_far_off": Case(clock(offset_s=-86401.0), clock(offset_s=-86399.0)),
    "clock_drifts": Case(clock(drift_s_per_day=-87.0), clock(drift_s_per_day=-86.0)),
    "clock_unanchored": Case(clock(anchors=0), clock(anchors=1)),
    "repair_before_finding": Case(
        finding("diode_shorted", repaired_at_utc=-1), finding("diode_shorted", repaired_at_utc=0)
    ),
}

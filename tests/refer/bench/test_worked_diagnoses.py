"""Vehicles led by the bench from the first question to the finding, each as the facts of the pilot give it.

The figures are derived from IEC 61851-1 Annex A and SAE J1772 as given by secondary sources (generator
12 V, R1 1 kohm, R2 2.74 kohm, R3 1.3 kohm); what the workshop sees without a figure is as common practice has it.
"""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from pipeline.refer.bench import Assessment, Case, Reading, assess, bench_declared, parse_reading
from pipeline.refer.bench.case import prior_without_logs

Shown = Mapping[tuple[str, str | None], str]

HEALTHY: Shown = {
    ("look", None): "clean",
    ("another_cable", None): "same",
    ("trouble_codes", None): "none",
    ("lock_cycles", None): "works",
    ("protection", None): "holds",
    ("asks", None): "asks",
    ("charger_procedure", None): "in_order",
    ("charger_insulation", None): "in_order",
    ("lock_procedure", None): "in_order",
    ("cable_elsewhere", None): "works",
    ("cp_pe_reverse_ohm", None): "OL",
    ("cp_pe_forward_ohm", None): "3.8 kΩ",
    ("pp_pe_ohm", None): "220",
    ("pp_pe_v", None): "4.46",
    ("cp_high_v", "B2"): "8.98",
    ("cp_low_v", "B2"): "-12.0",
    ("cp_mean_v", "B2"): "-6.4",
    ("cp_high_v", "C2"): "6.0",
    ("cp_low_v", "C2"): "-12.0",
}
STOPS_EARLY = ("stops_before_asking", "everywhere")


def vehicle(**differs: str) -> Shown:
    """What a vehicle shows: healthy but for what is named, like `cp_low_v_B2='-8.79'`."""
    changed = {}
    for name, value in differs.items():
        state = name.rpartition("_")[2]
        changed[(name[: -len(state) - 1], state) if state in {"B2", "C2"} else (name, None)] = value
    return {**HEALTHY, **changed}


def led(
    shown: Shown,
    interview: tuple[str, str],
    couplers: tuple[str, ...] = ("cType2",),
    dry: str | None = None,
) -> tuple[Assessment, list[str]]:
    """The bench followed step by step; `dry`: what the reverse reading is after drying. Steps by name."""
    readings = [parse_reading("ac_reach", interview[0]), parse_reading("ac_where", interview[1])]
    steps: list[str] = []
    setup = "any"
    result = assess(Case(prior_without_logs(), tuple(readings), couplers))
    while result.stop is None and len(steps) < 12:
        proposal = result.next[0]
        step = proposal.step
        if step.after_drying:
            readings.append(parse_reading("dried", ""))
        value = dry if step.after_drying and dry else shown[step.kind, step.state]
        readings.append(parse_reading(step.kind, value, state=step.state))
        steps.append(proposal.name)
        setup = setup if step.setup == "any" else step.setup
        result = assess(Case(prior_without_logs(), tuple(readings), couplers), setup=setup)
    return result, steps


CASES = {
    "shorted": (
        vehicle(
            cp_pe_reverse_ohm="2.74 kΩ",
            cp_pe_forward_ohm="2.74 kΩ",
            cp_low_v_B2="-8.79",
            cp_high_v_B2="8.79",
            cp_low_v_C2="-5.62",
            cp_high_v_C2="5.62",
            cp_mean_v_B2="-4.1",
        ),
        STOPS_EARLY,
        None,
        "pilot_diode_shorted",
        2,
    ),
    "leaking 6 kohm": (
        vehicle(
            cp_pe_reverse_ohm="8.74 kΩ",
            cp_pe_forward_ohm="3.2 kΩ",
            cp_low_v_B2="-10.77",
            cp_low_v_C2="-10.48",
            cp_mean_v_B2="-5.5",
        ),
        STOPS_EARLY,
        "8.74 kΩ",
        "pilot_diode_leaky",
        5,
    ),
    "beside the diode, stays when dry": (
        vehicle(
            look="wet",
            cp_pe_reverse_ohm="4 kΩ",
            cp_pe_forward_ohm="1.95 kΩ",
            cp_high_v_B2="7.5",
            cp_low_v_B2="-9.6",
            cp_low_v_C2="-9.6",
            cp_high_v_C2="5.3",
        ),
        STOPS_EARLY,
        "4.1 kΩ",
        "pilot_leakage",
        3,
    ),
    "wet inlet dried": (
        vehicle(
            look="wet",
            cp_pe_reverse_ohm="4 kΩ",
            cp_pe_forward_ohm="1.95 kΩ",
            cp_high_v_B2="7.5",
            cp_low_v_B2="-9.6",
        ),
        STOPS_EARLY,
        "OL",
        "pilot_leakage",
        3,
    ),
    "open": (
        vehicle(
            cp_pe_forward_ohm="OL",
            asks="stays",
            cp_high_v_B2="12.0",
            cp_high_v_C2="12.0",
            cp_mean_v_B2="-5.6",
        ),
        ("not_seen", "everywhere"),
        None,
        "pilot_open",
        2,
    ),
    "R3 off": (
        vehicle(cp_high_v_C2="7.4"),
        ("stops_at_asking", "everywhere"),
        None,
        "pilot_resistor",
        6,
    ),
    "contact of 600 ohm": (
        vehicle(cp_high_v_B2="9.4", cp_high_v_C2="7.4", cp_mean_v_B2="-6.3"),
        ("stops_at_asking", "everywhere"),
        None,
        "pilot_resistor",
        6,
    ),
    "bad cable": (
        vehicle(another_cable="works", pp_pe_ohm="OL", cable_elsewhere="fails"),
        ("stops_before_asking", "sockets_only"),
        None,
        "carried_cable",
        1,
    ),
    "lock": (
        vehicle(lock_cycles="fails", trouble_codes="lock", lock_procedure="fault"),
        STOPS_EARLY,
        None,
        "inlet_lock",
        3,
    ),
    "charger": (
        vehicle(trouble_codes="charger", charger_procedure="fault"),
        ("stops_at_asking", "everywhere"),
        None,
        "charger_input",
        3,
    ),
    "trips": (
        vehicle(protection="trips", trouble_codes="isolation", charger_insulation="low"),
        ("trips", "everywhere"),
        None,
        "charger_leakage",
        2,
    ),
    "never asks": (
        vehicle(asks="stays", cp_high_v_C2="8.98", cp_low_v_C2="-12.0"),
        ("nothing_happens", "everywhere"),
        None,
        "never_requests",
        1,
    ),
}


@pytest.mark.parametrize(
    ("shown", "interview", "dry", "right", "most"), CASES.values(), ids=CASES.keys()
)
def test_each_is_led_to_its_finding(
    shown: Shown, interview: tuple[str, str], dry: str | None, right: str, most: int
) -> None:
    """The bench names the right part, surely, in no more steps than stated, and says which finding to enter (derived)."""
    result, steps = led(shown, interview, dry=dry)
    assert (result.leader, result.posterior[right] >= 0.97) == (right, True), (
        steps,
        result.posterior,
    )
    assert len(steps) <= most, steps
    assert result.stop is not None
    assert result.finding == bench_declared().suspects[right].finding


def test_a_wet_inlet_that_dries_condemns_nothing() -> None:
    """A path beside the diode is dried and measured again before a part is named; gone when dry, nothing is condemned."""
    shown, interview, dry, _, _ = CASES["wet inlet dried"]
    result, steps = led(shown, interview, dry=dry)
    assert "dry" in steps
    assert "no part is condemned" in result.detail
    stays, _ = led(*CASES["beside the diode, stays when dry"][:2], dry="4.1 kΩ")
    assert "harness" in stays.detail


def test_a_resistor_is_named() -> None:
    """R3 alone off moves C and leaves B: 7.4 V in C2 at 9 V in B2 is R3, with B up too it is a contact (derived)."""
    readings = [
        ("cp_pe_reverse_ohm", "OL", None),
        ("cp_high_v", "8.98", "B2"),
        ("cp_high_v", "7.4", "C2"),
    ]
    r3 = assess(
        Case(prior_without_logs(), tuple(parse_reading(k, v, state=s) for k, v, s in readings))
    )
    assert "R3" in r3.detail
    readings[1:] = [("cp_high_v", "9.75", "B2"), ("cp_high_v", "8.0", "C2")]
    contact = assess(
        Case(prior_without_logs(), tuple(parse_reading(k, v, state=s) for k, v, s in readings))
    )
    assert "contact" in contact.detail


def test_the_leak_is_sized() -> None:
    """-10.77 V in B2 and -10.48 V in C2 are a leak of 6 kohm in series with the load (derived)."""
    readings = (
        parse_reading("cp_low_v", "-10.77", state="B2"),
        parse_reading("cp_low_v", "-10.48", state="C2"),
    )
    result = assess(Case(prior_without_logs(), readings))
    lo, hi = (
        float(word.split(" ")[0])
        for word in result.detail.split("leaks ")[1].split(" (")[0].split(" to ")
    )
    assert lo < 6 < hi


@pytest.mark.parametrize("name", CASES.keys())
def test_no_unsafe_step_before_a_safe_one_that_tells_as_much(name: str) -> None:
    """Where a step of lower risk promises as many bits, the riskier one is not proposed; high voltage is last."""
    shown, interview, dry, _, _ = CASES[name]
    readings = [parse_reading("ac_reach", interview[0]), parse_reading("ac_where", interview[1])]
    for _ in range(6):
        result = assess(Case(prior_without_logs(), tuple(readings), ("cType2",)))
        if result.stop:
            break
        offered = [p for p in result.next if not p.because]
        for risky in offered:
            assert not [
                q.name for q in offered if q.step.risk < risky.step.risk and q.bits >= risky.bits
            ]
        step = result.next[0].step
        assert step.risk < 3 or all(p.step.risk == 3 for p in offered)
        value = dry if step.after_drying and dry else shown[step.kind, step.state]
        readings += [parse_reading("dried", "")] if step.after_drying else []
        readings.append(parse_reading(step.kind, value, state=step.state))


def test_every_step_says_state_leads_tool_and_when_to_stop() -> None:
    """A proposal tells how the vehicle stands, which lead goes where, the meter's mode, expected values and when to stop."""
    result = assess(Case(prior_without_logs(), (), ("cType1",)))
    for proposal in result.next:
        assert all(
            (
                proposal.question,
                proposal.stands,
                proposal.step.tool,
                proposal.step.leads,
                proposal.step.when_to_stop,
            )
        )
        assert proposal.expected
    by_name = {p.name: p for p in result.next}
    assert "red on CP" in bench_declared().steps["forward"].leads
    assert "black on CP" in by_name["reverse"].step.leads
    assert "cable_resistor" not in by_name


def test_diode_test_mode_is_warned_of() -> None:
    """1 mA through 2.74 kohm is beyond the 2 V of a diode test: good and shorted both read over range (derived)."""
    assert "not diode test" in bench_declared().steps["forward"].tool
    assert "not diode test" in bench_declared().steps["reverse"].tool


def test_readings_without_words_are_kept_apart() -> None:
    """A reading holds a figure or an answer; its kind says which."""
    reading = parse_reading("cp_pe_reverse_ohm", "OL", instrument="bench meter, 0.5 mA")
    assert isinstance(reading, Reading)
    assert reading.quantity is not None
    assert reading.quantity.over_range
    assert reading.meter.test_current_a == 5e-4


def test_leakage_is_told_from_another_fault_of_the_charger() -> None:
    """Where the protection tripped and the procedure of the AC side names a fault, the insulation decides which (judgement)."""
    told = {
        "ac_reach": "stops_at_asking",
        "ac_where": "everywhere",
        "protection": "trips",
        "charger_procedure": "fault",
    }
    seen = [parse_reading(kind, answer) for kind, answer in told.items()]
    before = assess(Case(prior_without_logs(), tuple(seen), ("cType2",)))
    assert before.posterior["charger_input"] > 0.03
    assert before.posterior["charger_leakage"] > 0.03
    for answer, part in (("low", "charger_leakage"), ("in_order", "charger_input")):
        reading = parse_reading("charger_insulation", answer)
        after = assess(Case(prior_without_logs(), (*seen, reading), ("cType2",))).posterior
        assert after[part] > before.posterior[part]

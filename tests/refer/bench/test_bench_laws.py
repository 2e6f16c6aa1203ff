"""Laws of the bench: what weighs, what does not, what contradicts, and that probabilities are probabilities."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.core.quantities import QuantityError
from pipeline.refer.bench import BenchError, Case, Reading, assess, bench_declared, parse_reading
from pipeline.refer.bench.case import prior_from_week, prior_without_logs

PRIOR = prior_without_logs()
FIGURES = {
    "cp_pe_forward_ohm": "ohm",
    "cp_pe_reverse_ohm": "ohm",
    "cp_high_v": "V",
    "cp_low_v": "V",
    "cp_mean_v": "V",
    "pp_pe_ohm": "ohm",
}


def weighed(*readings: Reading) -> dict[str, float]:
    """The posterior."""
    return assess(Case(PRIOR, readings)).posterior


def a_reading(kind: str, size: float, state: str) -> Reading:
    """Any figure a person might type."""
    figure = f"{10 ** (1 + 7 * size):.0f}" if FIGURES[kind] == "ohm" else f"{30 * size - 15:.2f}"
    return parse_reading(kind, figure, state=state)


readings = st.builds(
    a_reading, st.sampled_from(list(FIGURES)), st.floats(0, 1), st.sampled_from(["B2", "C2"])
)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.lists(readings, max_size=4), st.randoms(use_true_random=False))
def test_a_posterior_is_a_distribution_and_order_does_not_matter(
    some: list[Reading], shuffle: object
) -> None:
    """Whatever is entered: probabilities from 0 to 1 that sum to 1, the same in any order."""
    first = weighed(*some)
    assert sum(first.values()) == pytest.approx(1)
    assert set(first) == set(bench_declared().names)
    mixed = list(some)
    shuffle.shuffle(mixed)  # type: ignore[attr-defined]
    again = weighed(*mixed)
    assert again == pytest.approx(first, abs=1e-9)


@settings(max_examples=20, deadline=None, derandomize=True)
@given(readings)
def test_one_reading_never_makes_certain(one: Reading) -> None:
    """A single figure may be a slip: it moves odds by a few hundred at most (1 % of readings mean nothing)."""
    after = weighed(one)
    worst = min(after[name] / PRIOR[name] for name in after) / max(
        after[name] / PRIOR[name] for name in after
    )
    assert worst > 1e-5


def test_over_range_is_weighed_as_the_interval_it_is() -> None:
    """Over a 2 Mohm range says less against a leak of 20 kohm than nothing at all would: it rules it out as a figure would."""
    anywhere = weighed(parse_reading("cp_pe_reverse_ohm", "OL"))
    above = weighed(parse_reading("cp_pe_reverse_ohm", "> 2 kΩ"))
    assert anywhere["pilot_diode_shorted"] < 0.01 < above["pilot_diode_leaky"]
    assert above["pilot_diode_leaky"] > 5 * anywhere["pilot_diode_leaky"]


def test_a_low_voltage_range_that_reads_over_forwards_condemns_nothing() -> None:
    """Healthy diodes read over range on a range that never opens them (derived): open needs more than that."""
    both = (
        parse_reading("cp_pe_reverse_ohm", "OL"),
        parse_reading("cp_pe_forward_ohm", "OL", instrument="4 kΩ range"),
    )
    after = weighed(*both)
    assert after["pilot_open"] < 0.3


def test_a_known_test_current_sharpens_the_forward_reading() -> None:
    """3.3 kohm at 1 mA is a healthy diode with R2 (derived); 2.74 kohm at 1 mA is none."""
    healthy = weighed(parse_reading("cp_pe_forward_ohm", "3.3 kΩ", instrument="1 mA"))
    assert healthy["pilot_diode_shorted"] < 0.01
    assert healthy["pilot_open"] < 0.01
    shorted = weighed(parse_reading("cp_pe_forward_ohm", "2.74 kΩ", instrument="1 mA"))
    assert shorted["pilot_diode_shorted"] > 0.75


@pytest.mark.parametrize(
    ("kind", "value", "state"),
    [
        ("cp_low_v", "-8.8", None),
        ("cp_mean_v", "-4.1", "B1"),
        ("cp_low_v", "-12", "F"),
        ("cp_high_v", "9.0", "E"),
    ],
)
def test_a_level_without_its_state_weighs_nothing_and_says_so(
    kind: str, value: str, state: str | None
) -> None:
    """Without the pilot's state, or with the PWM off, a negative level tells of nothing; in state E there is no level at all."""
    result = assess(Case(PRIOR, (parse_reading(kind, value, state=state),)))
    assert result.posterior == pytest.approx(PRIOR)
    assert "weighs nothing" in result.contradictions[0]


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ([("cp_high_v", "0.9", "B2"), ("cp_low_v", "-1.2", "B2")], "×10 probe"),
        ([("cp_high_v", "90", "B2")], "a tenth would fit"),
        ([("cp_low_v", "12.0", "B2")], "other sign"),
        (
            [("cp_pe_reverse_ohm", "2.7400", None), ("cp_pe_forward_ohm", "2740", None)],
            "a prefix left out (Ω for kΩ, kΩ for MΩ)",
        ),
        (
            [("cp_pe_reverse_ohm", "3.8 kΩ", None), ("cp_pe_forward_ohm", "OL", None)],
            "leads exchanged it would fit",
        ),
        (
            [
                ("cp_low_v", "-12", "B2"),
                ("cp_pe_reverse_ohm", "2.74 kΩ", None),
                ("cp_pe_forward_ohm", "2.74 kΩ", None),
            ],
            "fits no suspect",
        ),
    ],
)
def test_contradictions_are_told_with_what_would_explain_them(
    typed: list[tuple[str, str, str | None]], said: str
) -> None:
    """A forgotten probe factor, a wrong sign, a lost prefix, exchanged leads, a negative level at -12 V with both ways alike."""
    some = tuple(
        parse_reading(kind, value, state=state, decimal_point=True) for kind, value, state in typed
    )
    result = assess(Case(PRIOR, some))
    assert any(said in words for words in result.contradictions), result.contradictions
    assert result.stop is None
    assert result.next[0].because in {
        "It contradicts the rest: measure it again before it counts.",
        "The pair decides, not one reading: same leads exchanged, same range, at once.",
    }


def test_the_same_both_ways_on_a_known_good_vehicle_takes_the_pair_out() -> None:
    """Where a known-good vehicle of the model reads alike both ways, the pair tells nothing, and the bench says so."""
    own = [
        parse_reading("cp_pe_reverse_ohm", "2.74 kΩ"),
        parse_reading("cp_pe_forward_ohm", "2.74 kΩ"),
    ]
    good = [parse_reading(r.kind, "2.7 kΩ", note="known-good, same model") for r in own]
    assert assess(Case(PRIOR, tuple(own))).posterior["pilot_diode_shorted"] > 0.97
    result = assess(Case(PRIOR, (*own, *good)))
    assert result.posterior == pytest.approx(PRIOR)
    assert "known-good" in result.contradictions[0]
    assert "Left out" in result.meanings[0].means


def test_a_trace_weighs_by_its_interval() -> None:
    """The same level seen with a wide interval moves the odds less."""
    sharp = weighed(parse_reading("cp_low_v", "-8.8", state="B2"))
    wide = weighed(
        Reading(
            "cp_low_v",
            parse_reading("cp_low_v", "-8.8", state="B2").quantity,
            state="B2",
            spread=2.0,
        )
    )
    assert sharp["pilot_diode_shorted"] > wide["pilot_diode_shorted"] > PRIOR["pilot_diode_shorted"]


def test_what_the_list_believes_is_where_the_bench_begins() -> None:
    """A vehicle of the week's list starts from its probability and suspects; no part is ruled out by logs alone."""
    prior = prior_from_week(0.95, {"pilot_diode_shorted": 0.9, "unclear": 0.1})
    assert sum(prior.values()) == pytest.approx(1)
    assert prior["pilot_diode_shorted"] > 0.85
    assert prior["no_fault"] == pytest.approx(0.05, abs=0.005)
    assert min(prior.values()) > 0.001


@pytest.mark.parametrize(
    ("kind", "value", "state", "error"),
    [
        ("cp_ohm", "3", None, BenchError),
        ("look", "pretty", None, BenchError),
        ("cp_high_v", "9", "G2", BenchError),
        ("cp_low_v", "OL", "B2", QuantityError),
        ("cp_pe_reverse_ohm", "2,740", None, QuantityError),
        ("cp_high_v", "900", "B2", QuantityError),
    ],
)
def test_what_is_not_understood_is_refused(
    kind: str, value: str, state: str | None, error: type[Exception]
) -> None:
    """An unknown kind, answer or state, a figure that may be two, volts over range: refused with the way to write it."""
    with pytest.raises(error) as refused:
        parse_reading(kind, value, state=state)
    assert refused.value.next_step  # type: ignore[attr-defined]


def test_every_declared_answer_and_step_is_whole() -> None:
    """Each row of answers covers every suspect; each step names its tool and when to stop."""
    declared = bench_declared()
    for name, answer in declared.answers.items():
        for k in range(len(answer.answers)):
            assert declared.log_row(name, (answer.answers[k],)).shape == (len(declared.names),)
    for step in declared.steps.values():
        assert step.tool
        assert step.when_to_stop


def test_an_answer_given_twice_says_more_but_never_as_much_as_two_questions_would() -> None:
    """What is asked twice has one true answer; only the telling may slip (three in a hundred): derived from the table by hand."""
    once = weighed(parse_reading("lock_cycles", "fails"))
    twice = weighed(*[parse_reading("lock_cycles", "fails")] * 2)
    odds = [each["inlet_lock"] / each["charger_input"] for each in (once, twice)]
    prior = PRIOR["inlet_lock"] / PRIOR["charger_input"]
    assert odds[0] == pytest.approx(prior * (0.97 * 0.92 + 0.015) / (0.97 * 0.02 + 0.015))
    both = [0.92 * 0.985**2 + 0.08 * 0.015**2, 0.02 * 0.985**2 + 0.98 * 0.015**2]
    assert odds[1] == pytest.approx(prior * both[0] / both[1])
    assert odds[0] < odds[1] < prior * (odds[0] / prior) ** 2


def test_what_was_seen_once_is_worth_a_second_look_where_the_case_hangs_on_it() -> None:
    """A lock that stalled once, and nothing else wrong: the lock is tried again, with the words that say so; never a third time."""
    seen = [
        parse_reading("ac_reach", "stops_later"),
        parse_reading("ac_where", "one_place"),
        *[parse_reading(kind, answer) for kind, answer in (("lock_cycles", "fails"), ("asks", "asks"))],
    ]  # fmt: skip
    names = {p.name: p for p in assess(Case(PRIOR, tuple(seen), ("cType2",))).next}
    assert "Once more" in names["lock_cycles"].question
    again = assess(Case(PRIOR, (*seen, parse_reading("lock_cycles", "works")), ("cType2",)))
    assert "lock_cycles" not in {p.name for p in again.next}

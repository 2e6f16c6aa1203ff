"""Which plug-in would tell.

Information in bits against enumeration, and advice that settles sooner.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.measure.quality.settling import OTHERS_FAIL, Case, settle
from pipeline.refer.inputs import Attributed, ReferInputs
from pipeline.refer.next_tests import (
    _sound_vehicle_there,
    _this_vehicle_elsewhere,
    information_bits,
    next_tests,
    open_questions,
)
from pipeline.refer.plug_places import fits, sites
from pipeline.registry import conform, empty
from pipeline.settings.refer import ReferSettings

USUAL = ReferSettings().next_tests
SHARES = st.lists(st.floats(0.01, 1.0), min_size=2, max_size=4)


def enumerated(prior: np.ndarray, fails: np.ndarray) -> float:
    """I(H; Y) summed over every cause and outcome: sum p(h, y) log2(p(h, y) / (p(h) p(y)))."""
    total = 0.0
    p_fail = float(prior @ fails)
    for h, failed in product(range(len(prior)), (True, False)):
        joint = prior[h] * (fails[h] if failed else 1 - fails[h])
        p_y = p_fail if failed else 1 - p_fail
        if joint > 0:
            total += joint * np.log2(joint / (prior[h] * p_y))
    return total


@given(SHARES, st.lists(st.floats(0.001, 0.999), min_size=4, max_size=4))
def test_bits_equal_enumeration(shares: list[float], chances: list[float]) -> None:
    """Law.

    The closed form equals brute-force enumeration of the joint distribution (small cases).
    """
    prior = np.array(shares) / sum(shares)
    fails = np.array(chances[: len(prior)])
    assert information_bits(prior[None], fails[None])[0] == pytest.approx(
        enumerated(prior, fails), abs=1e-9
    )


def test_known_values() -> None:
    """A perfect test of an even question is 1 bit.

    One whose outcome does not depend on the cause is 0 (textbook).
    """
    even = np.array([[0.5, 0.5]])
    assert information_bits(even, np.array([[1.0, 0.0]]))[0] == pytest.approx(1.0, abs=1e-9)
    assert information_bits(even, np.array([[0.3, 0.3]]))[0] == pytest.approx(0.0, abs=1e-9)
    # binary symmetric channel with error 0.11: capacity 1 - h(0.11) = 0.5 bit (Cover & Thomas, from
    # memory)
    assert information_bits(even, np.array([[0.89, 0.11]]))[0] == pytest.approx(0.5, abs=1e-3)


def fleet_inputs() -> tuple[ReferInputs, pl.DataFrame]:
    """V and W at the depot, V undecided: it only ever used E1, where it failed.

    E2 checks the diode, E3 does not, E4 is sick.
    """
    rows = (
        [("V", "E1", "failed")] * 4
        + [("V", "E1", "charged")] * 2
        + [("W", "E2", "charged")] * 5
        + [("W", "E3", "charged")] * 3
    )
    checks = {"E1": "unknown", "E2": "yes", "E3": "no", "E4": "yes", "E5": "yes"}
    sites = {"E1": "depot", "E2": "depot", "E3": "depot", "E4": "depot", "E5": "far"}
    attempts = pl.DataFrame(rows, schema=["vehicle_id", "evse_id", "outcome"], orient="row").with_columns(
        supply=pl.lit("AC"), coupler=pl.lit("sType2"), vehicle_model=pl.lit("Crate"),
        site_id=pl.col("evse_id").replace_strict(sites), check=pl.col("evse_id").replace_strict(checks),
    )  # fmt: skip
    fleet = pl.DataFrame({"vehicle_id": ["V", "W"], "vehicle_model": "Crate", "inlets": "cCCS2"})
    equipment = pl.DataFrame(
        {
            "evse_id": list(checks),
            "site_id": list(sites.values()),
            "supply": "AC",
            "connector_type": "sType2",
            "diode_check": list(checks.values()),
        }
    )
    nothing = pl.DataFrame()
    inputs = ReferInputs(attempts, Attributed(nothing, nothing, nothing, nothing), fleet, equipment)
    return inputs, attempts


def proposed(suspect: str, p_vehicle: float = 0.45, p_evse: float = 0.4) -> pl.DataFrame:
    """Tests proposed for V, which alone failed at E1."""
    inputs, attempts = fleet_inputs()
    called = pl.DataFrame(
        [("V", "Crate", "watch", p_vehicle, suspect, False, "evse"), ("W", "Crate", "clear", 0.001, None, False, None)],
        schema=["vehicle_id", "vehicle_model", "call", "p_vehicle", "suspect", "dismissed", "rival"], orient="row",
    )  # fmt: skip
    e1 = "clear" if p_evse < 0.05 else "watch" if p_evse < 0.97 else "faulty"
    evses = pl.DataFrame(
        [("E1", p_evse, e1), ("E2", 0.001, "clear"), ("E3", 0.001, "clear"), ("E4", 0.9, "faulty"), ("E5", 0.001, "clear")],
        schema=["evse_id", "p_evse", "call"], orient="row",
    )  # fmt: skip
    questions = open_questions(attempts, called, evses, USUAL)
    return next_tests(inputs, attempts, questions, called, evses, ReferSettings())


def test_a_diode_is_tested_where_it_is_looked_for() -> None:
    """The best test takes V to the healthy EVSE at its depot that checks.

    Not to a sick one, one that does not look, or far.
    """
    tests = proposed("pilot_diode_shorted")
    assert tests["evse_id"].to_list()[0] == "E2"
    assert tests.row(0, named=True)["vehicle_id"] == "V"
    assert "E3" not in tests["evse_id"].to_list()
    assert "E4" not in tests["evse_id"].to_list()
    assert tests["expected_bits"].is_sorted(descending=True)
    assert "checks the pilot diode" in tests["reason"][0]


def test_a_sound_vehicle_at_the_suspect_evse_is_proposed_too() -> None:
    """The rival question: W, sound, at E1 where V failed."""
    tests = proposed("pilot_diode_shorted")
    assert ("W", "E1") in set(tests.select("vehicle_id", "evse_id").iter_rows())


def test_an_evse_that_failed_one_vehicle_alone_asks_for_another() -> None:
    """V is hardly at fault, its only EVSE likely, and on watch because no other vehicle tried: W there decides, V elsewhere tells nothing.
    Once the EVSE is called there is nothing left to ask.
    """
    tests = proposed("unclear", p_vehicle=0.01, p_evse=0.95)
    assert tests.select("vehicle_id", "evse_id").rows() == [("W", "E1")]
    assert proposed("unclear", p_vehicle=0.01, p_evse=0.99).is_empty()


def test_nobody_is_sent_to_an_evse_called_faulty() -> None:
    """It is not used until it has been looked at (the cautions): V may be tried elsewhere, nobody there."""
    tests = proposed("pilot_diode_shorted", p_vehicle=0.45, p_evse=0.97)
    assert tests.height > 0
    assert "E1" not in tests["evse_id"].to_list()


def test_no_question_no_test() -> None:
    """A vehicle that is sure either way asks for nothing; the frame is empty and as declared."""
    sure = proposed("pilot_diode_shorted", p_vehicle=0.001, p_evse=0.01)
    assert sure.equals(empty("out_next_tests"))
    assert conform(proposed("charger_input"), "out_next_tests").height > 0


def test_ccs_inlet_holds_the_ac_part() -> None:
    """A vehicle that lists only cCCS2 fits a Type 2 plug and a socket."""
    assert proposed("charger_input").filter(pl.col("vehicle_id") == "V").height > 0


@pytest.mark.parametrize(
    ("loyal", "others", "share"),
    [(1.0, 0.0, 0.5), (0.95, 0.0, 0.5), (0.9, 0.0, 0.5), (0.95, 0.5, 1.0)],
)
def test_advice_halves_the_attempts(loyal: float, others: float, share: float) -> None:
    """Undecided between vehicle and usual EVSE: following the advice needs at most half the
    attempts of ordinary use.

    Where other vehicles use that EVSE too, ordinary use tells by itself before long; then advice is
    only no slower.
    """
    places = np.array([loyal, 1 - loyal])
    own, rival = 0.75, float(OTHERS_FAIL[1])
    case = Case(
        prior=np.array([0.45, 0.45, 0.1]),
        usual=places,
        usual_fails=np.array(
            [[own, rival, USUAL.sound_fails], [own, USUAL.sound_fails, USUAL.sound_fails]]
        ),
        tests_fail=np.array([[own, USUAL.sound_fails, USUAL.sound_fails], OTHERS_FAIL]),
        others=others,
    )
    rng = np.random.default_rng(3)
    ordinary = np.mean([settle(case, rng, advised=False) for _ in range(150)])
    advised = np.mean([settle(case, rng, advised=True) for _ in range(150)])
    assert advised <= share * ordinary


SPEAKS = "a failure there speaks for the vehicle's fault, a charge against it."


def test_what_is_proposed_and_why_in_words() -> None:
    """Both kinds of test whole.

    Who, where, the bits by enumeration, what it decides and how the answer speaks.
    """
    tests = proposed("pilot_diode_shorted")
    p_v, p_e = 0.45, 0.4
    raw = np.array([p_v * (1 - p_e), p_e * (1 - p_v), (1 - p_v) * (1 - p_e)])
    prior = raw / raw.sum()
    bits = [
        enumerated(prior, np.array([0.97, 0.03, 0.03])),
        enumerated(prior, np.array([0.03, 0.8, 0.03])),
    ]
    assert tests.select("vehicle_id", "evse_id", "decides", "reason").rows() == [
        (
            "V", "E2", "whether vehicle V is at fault",
            "E2 at its usual site, a healthy EVSE, which checks the pilot diode: " + SPEAKS,
        ),
        (
            "W", "E1", "whether EVSE E1 or vehicle V is at fault",
            "healthy vehicle W at E1, where V failed: a failure speaks for the EVSE's fault, a charge against it.",
        ),
    ]  # fmt: skip
    assert tests["expected_bits"].to_list() == pytest.approx(bits)


def asked(suspect: str) -> pl.DataFrame:
    """The question whether V is at fault, E1 its rival."""
    named = pl.DataFrame(
        {"question": ["V"], "vehicle_model": ["Crate"], "suspect": [suspect], "rival": ["E1"]}
    )
    return named.with_columns(p_v=pl.lit(0.5), p_e=pl.lit(0.3), p_n=pl.lit(0.2), f_v=pl.lit(0.5))


@pytest.mark.parametrize(
    ("suspect", "check", "fails"),
    [
        ("pilot_diode_shorted", "yes", 0.97), ("pilot_diode_shorted", "unknown", 0.7), ("pilot_diode_shorted", "no", 0.03),
        ("pilot_diode_leaky", "yes", 0.65), ("pilot_diode_leaky", "unknown", 0.45), ("pilot_diode_leaky", "no", 0.03),
        ("charger_input", "yes", 0.75), ("charger_input", "no", 0.75), ("unclear", "unknown", 0.75),
    ],
)  # fmt: skip
def test_how_likely_a_fault_fails_the_test(suspect: str, check: str, fails: float) -> None:
    """A diode fails where it is looked for, another fault anywhere.

    Chances as decided, near the declared signatures.
    """
    inputs, attempts = fleet_inputs()
    question = asked(suspect)
    evses = pl.DataFrame(
        {
            "evse_id": ["E2"],
            "site_id": "depot",
            "connector_type": "sType2",
            "check": check,
            "p_evse": 0.0,
            "evse_call": "clear",
        }
    )
    row = _this_vehicle_elsewhere(inputs, attempts, question, evses, USUAL).row(0, named=True)
    assert (row["f_v"], row["f_e"], row["f_n"], row["tier"]) == (fails, 0.03, 0.03, 0)
    said = "which checks the pilot diode" in row["reason"]
    assert said == (check == "yes" and suspect.startswith("pilot_diode"))


def test_a_test_lies_at_a_healthy_evse_near_by() -> None:
    """Healthy: clear or insufficient_data and under 5 %; never the rival itself.

    The usual site first, then a used one, then elsewhere.
    """
    inputs, attempts = fleet_inputs()
    more = attempts.with_columns(
        site_id=pl.when(pl.col("outcome") == "charged").then(pl.lit("far")).otherwise("site_id")
    )
    question = asked("charger_input")
    evses = pl.DataFrame(
        [
            ("E1", "depot", 0.0, "clear"), ("near", "depot", 0.0, "insufficient_data"), ("used", "far", 0.0, None),
            ("new", "yard", 0.049, "clear"),
            ("odd", "depot", 0.05, "clear"), ("watched", "depot", 0.0, "watch"), ("sick", "depot", 0.0, "faulty"),
        ],
        schema=["evse_id", "site_id", "p_evse", "evse_call"], orient="row",
    ).with_columns(connector_type=pl.lit("sType2"), check=pl.lit("no"))  # fmt: skip
    rows = _this_vehicle_elsewhere(inputs, more, question, evses, USUAL).sort("tier")
    assert rows.select("evse_id", "tier", "vehicle_id").rows() == [
        ("near", 0, "V"),
        ("used", 1, "V"),
        ("new", 2, "V"),
    ]
    assert [r.split(",")[0] for r in rows["reason"]] == [
        "near at its usual site", "used at a site it uses", "new at another site",
    ]  # fmt: skip
    no_rival = _this_vehicle_elsewhere(
        inputs, more, question.with_columns(rival=pl.lit(None, dtype=pl.String)), evses, USUAL
    )
    assert "E1" in no_rival["evse_id"].to_list()


@pytest.mark.parametrize(
    ("inlets", "plugs"),
    [
        ("cType1", {"cType1", "sType2"}), ("cCCS1;cG105", {"cType1", "sType2"}), ("cType2", {"cType2", "sType2"}),
        ("sType2", {"cType2", "sType2"}), ("cG105; cCCS2", {"cType2", "sType2"}), ("cTesla", {"cTesla", "sType2"}),
        ("cG105", set()), (None, set()),
    ],
)  # fmt: skip
def test_which_plug_fits_which_inlet(inlets: str | None, plugs: set[str]) -> None:
    """A captive plug fits its own inlet or the CCS one around it, a socket any AC inlet by cable, a
    DC inlet none (trade).
    """
    nothing = pl.DataFrame()
    fleet = pl.DataFrame(
        {"vehicle_model": ["Crate"], "inlets": [inlets]}, schema_overrides={"inlets": pl.String}
    )
    attempts = pl.DataFrame(
        {
            "vehicle_model": ["Barrow", None, "Barrow"],
            "coupler": ["cG105", "cTesla", None],
            "supply": ["AC", "AC", "AC"],
        }
    )
    dc = pl.DataFrame({"vehicle_model": ["Crate"], "coupler": ["cCCS2"], "supply": ["DC"]})
    equipment = pl.DataFrame({"connector_type": ["sType2", "cType2", "cType1"]})
    inputs = ReferInputs(nothing, Attributed(nothing, nothing, nothing, nothing), fleet, nothing)
    table = fits(inputs, pl.concat([attempts, dc]), equipment)
    assert set(table.filter(pl.col("vehicle_model") == "Crate")["connector_type"]) == plugs
    assert table.filter(pl.col("vehicle_model") == "Barrow").rows() == [("Barrow", "cG105")]
    assert table.is_unique().all()


def test_the_site_used_most_is_home() -> None:
    """Most visits first, ties by name; all others count as used."""
    attempts = pl.DataFrame(
        {"vehicle_id": ["V"] * 6 + ["W"], "site_id": ["b", "b", "a", "a", "c", "b", "a"]},
    )
    table = sites(attempts, pl.Series(["V"]))
    assert table.rows() == [("V", "b", 0), ("V", "a", 1), ("V", "c", 1)]
    even = sites(attempts.head(4), pl.Series(["V"]))
    assert even.rows() == [("V", "a", 0), ("V", "b", 1)]


def test_a_question_names_the_evse_it_failed_at_most() -> None:
    """The rival has most failures, then is likelier at fault; the causes share 1.

    The sure, dismissed or called ask nothing.
    """
    attempts = pl.DataFrame(
        [("V", "E1", "failed")] * 2 + [("V", "E2", "failed")] * 2 + [("V", "E3", "failed")] + [("V", "E3", "charged")] * 2
        + [("T", "E9", "charged")],
        schema=["vehicle_id", "evse_id", "outcome"], orient="row",
    ).with_columns(supply=pl.lit("AC"))  # fmt: skip
    attempts = pl.concat(
        [
            attempts,
            pl.DataFrame(
                {"vehicle_id": ["V"] * 5, "evse_id": "E3", "outcome": "failed", "supply": "DC"}
            ),
        ]
    )
    evses = pl.DataFrame(
        {"evse_id": ["E1", "E2", "E3"], "p_evse": [0.1, 0.3, 0.9], "call": "clear"}
    )
    usual = {"vehicle_id": "V", "vehicle_model": "Crate", "call": "watch", "p_vehicle": 0.5, "suspect": "pilot_diode_leaky",
             "dismissed": False}  # fmt: skip
    called = pl.DataFrame(
        [usual, usual | {"vehicle_id": "T", "call": "insufficient_data", "p_vehicle": 0.02, "suspect": "unclear"},
         usual | {"vehicle_id": "sure", "p_vehicle": 0.985}, usual | {"vehicle_id": "low", "p_vehicle": 0.015},
         usual | {"vehicle_id": "said", "dismissed": True}, usual | {"vehicle_id": "out", "call": "refer"}]
    )  # fmt: skip
    table = open_questions(attempts, called, evses, USUAL).sort("question")
    assert table.columns == [
        "question",
        "vehicle_model",
        "suspect",
        "rival",
        "p_v",
        "p_e",
        "p_n",
        "f_v",
    ]
    assert table.select("question", "vehicle_model", "suspect", "rival", "f_v").rows() == [
        ("T", "Crate", "unclear", None, 0.75), ("V", "Crate", "pilot_diode_leaky", "E2", 0.65),
    ]  # fmt: skip
    raw = np.array([0.5 * 0.7, 0.3 * 0.5, 0.5 * 0.7])
    assert table.select("p_v", "p_e", "p_n").row(1) == pytest.approx(raw / raw.sum())
    assert table.select("p_v", "p_e", "p_n").row(0) == pytest.approx((0.02, 0.0, 0.98))


def test_a_guest_that_knows_the_site_is_sent_to_the_suspect_evse() -> None:
    """Called clear and under 5 %, charged on AC at that site and coupler, the one there most.

    No such guest, no test.
    """
    usual = {
        "vehicle_id": "W",
        "evse_id": "E2",
        "site_id": "depot",
        "coupler": "sType2",
        "supply": "AC",
        "outcome": "charged",
    }
    x = usual | {"vehicle_id": "X"}
    no_use = [
        usual | {"vehicle_id": "odd"}, usual | {"vehicle_id": "watched"}, usual | {"site_id": "far"}, usual | {"supply": "DC"},
        usual | {"outcome": "failed"}, usual | {"coupler": "cType2"},
    ]  # fmt: skip
    rows = [
        usual | {"vehicle_id": "V", "evse_id": "E1", "outcome": "failed"},
        usual,
        x,
        x,
        *no_use * 3,
    ]
    called = pl.DataFrame(
        [("W", "clear", 0.01), ("X", "clear", 0.049), ("odd", "clear", 0.05), ("watched", "watch", 0.01)],
        schema=["vehicle_id", "call", "p_vehicle"], orient="row",
    )  # fmt: skip
    question = pl.DataFrame(
        [("V", "E1", 0.5, 0.3, 0.2), ("Z", None, 0.5, 0.3, 0.2)],
        schema=["question", "rival", "p_v", "p_e", "p_n"],
        orient="row",
    )
    table = _sound_vehicle_there(pl.DataFrame(rows), question, called, USUAL)
    assert table.select(
        "question", "vehicle_id", "evse_id", "tier", "f_v", "f_e", "f_n"
    ).rows() == [("V", "X", "E1", 0, 0.03, 0.8, 0.03)]
    assert _sound_vehicle_there(
        pl.DataFrame(rows), question, called.filter(pl.col("call") == "watch"), USUAL
    ).is_empty()


def test_no_more_tests_than_asked_for_and_each_once() -> None:
    """The setting bounds the tests of a question; a bit far away is worth less; two questions share
    one test.

    E5, which nobody has used yet, counts as healthy.
    """
    inputs, attempts = fleet_inputs()
    called = pl.DataFrame(
        [(v, "Crate", "watch", 0.45, "charger_input", False) for v in ("U", "V")] + [("W", "Crate", "clear", 0.001, None, False)],
        schema=["vehicle_id", "vehicle_model", "call", "p_vehicle", "suspect", "dismissed"], orient="row",
    )  # fmt: skip
    twin = attempts.filter(pl.col("vehicle_id") == "V").with_columns(vehicle_id=pl.lit("U"))
    attempts = pl.concat([attempts, twin])
    evses = pl.DataFrame(
        [("E1", 0.4, "watch"), ("E2", 0.001, "clear"), ("E3", 0.001, "clear"), ("E4", 0.9, "faulty")],
        schema=["evse_id", "p_evse", "call"], orient="row",
    )  # fmt: skip
    questions = open_questions(attempts, called, evses, USUAL)
    for most, expected in (
        (1, {("W", "E1")}),
        (9, {(v, e) for v in "UV" for e in ("E2", "E3", "E5")} | {("W", "E1")}),
    ):
        tests = next_tests(
            inputs, attempts, questions, called, evses, ReferSettings(tests_per_question=most)
        )
        assert set(tests.select("vehicle_id", "evse_id").rows()) == expected
        assert tests.height == len(expected)
    order = [e for v, e in tests.select("vehicle_id", "evse_id").rows() if v == "U"]
    assert order == ["E2", "E3", "E5"]
    dc = inputs.equipment.with_columns(supply=pl.lit("DC"))
    none = next_tests(
        replace(inputs, equipment=dc), attempts, questions, called, evses, ReferSettings()
    )
    assert none.equals(empty("out_next_tests"))

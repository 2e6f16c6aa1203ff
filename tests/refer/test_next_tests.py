"""Which plug-in would tell: information in bits against enumeration, and advice that settles sooner."""

from __future__ import annotations

from itertools import product

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.evaluate.settling import OTHERS_FAIL, Case, settle
from pipeline.refer.inputs import Attributed, ReferInputs
from pipeline.refer.next_tests import SOUND_FAILS, information_bits, next_tests, open_questions
from pipeline.registry import conform, empty
from pipeline.settings.refer import ReferSettings

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
    """Law: the closed form equals brute-force enumeration of the joint distribution (small cases)."""
    prior = np.array(shares) / sum(shares)
    fails = np.array(chances[: len(prior)])
    assert information_bits(prior[None], fails[None])[0] == pytest.approx(enumerated(prior, fails), abs=1e-9)


def test_known_values() -> None:
    """A perfect test of an even question is 1 bit; one whose outcome does not depend on the cause is 0 (textbook)."""
    even = np.array([[0.5, 0.5]])
    assert information_bits(even, np.array([[1.0, 0.0]]))[0] == pytest.approx(1.0, abs=1e-9)
    assert information_bits(even, np.array([[0.3, 0.3]]))[0] == pytest.approx(0.0, abs=1e-9)
    # binary symmetric channel with error 0.11: capacity 1 - h(0.11) = 0.5 bit (Cover & Thomas, from memory)
    assert information_bits(even, np.array([[0.89, 0.11]]))[0] == pytest.approx(0.5, abs=1e-3)


def fleet_inputs() -> tuple[ReferInputs, pl.DataFrame]:
    """V and W at the depot, V undecided: it only ever used E1, where it failed. E2 checks the diode, E3 does not, E4 is sick."""
    rows = (
        [("V", "E1", "failed")] * 4 + [("V", "E1", "charged")] * 2 + [("W", "E2", "charged")] * 5 + [("W", "E3", "charged")] * 3
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


def proposed(suspect: str, p_vehicle: float = 0.45) -> pl.DataFrame:
    """Tests proposed for V."""
    inputs, attempts = fleet_inputs()
    called = pl.DataFrame(
        [("V", "Crate", "watch", p_vehicle, suspect, False), ("W", "Crate", "clear", 0.001, None, False)],
        schema=["vehicle_id", "vehicle_model", "call", "p_vehicle", "suspect", "dismissed"], orient="row",
    )  # fmt: skip
    evses = pl.DataFrame(
        [("E1", 0.4, "watch"), ("E2", 0.001, "clear"), ("E3", 0.001, "clear"), ("E4", 0.9, "faulty"), ("E5", 0.001, "clear")],
        schema=["evse_id", "p_evse", "call"], orient="row",
    )  # fmt: skip
    questions = open_questions(attempts, called, evses)
    return next_tests(inputs, attempts, questions, called, evses, ReferSettings())


def test_a_diode_is_tested_where_it_is_looked_for() -> None:
    """The best test takes V to the healthy EVSE at its depot that checks; not to a sick one, one that does not look, or far."""
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


def test_no_question_no_test() -> None:
    """A vehicle that is sure either way asks for nothing; the frame is empty and as declared."""
    assert proposed("pilot_diode_shorted", p_vehicle=0.001).equals(empty("out_next_tests"))
    assert conform(proposed("charger_input"), "out_next_tests").height > 0


def test_ccs_inlet_holds_the_ac_part() -> None:
    """A vehicle that lists only cCCS2 fits a Type 2 plug and a socket."""
    assert proposed("charger_input").filter(pl.col("vehicle_id") == "V").height > 0


@pytest.mark.parametrize(("loyal", "others", "share"), [(1.0, 0.0, 0.5), (0.95, 0.0, 0.5), (0.9, 0.0, 0.5), (0.95, 0.5, 1.0)])
def test_advice_halves_the_attempts(loyal: float, others: float, share: float) -> None:
    """Undecided between vehicle and usual EVSE: following the advice needs at most half the attempts of ordinary use.

    Where other vehicles use that EVSE too, ordinary use tells by itself before long; then advice is only no slower.
    """
    places = np.array([loyal, 1 - loyal])
    own, rival = 0.75, float(OTHERS_FAIL[1])
    case = Case(
        prior=np.array([0.45, 0.45, 0.1]),
        usual=places,
        usual_fails=np.array([[own, rival, SOUND_FAILS], [own, SOUND_FAILS, SOUND_FAILS]]),
        tests_fail=np.array([[own, SOUND_FAILS, SOUND_FAILS], OTHERS_FAIL]),
        others=others,
    )
    rng = np.random.default_rng(3)
    ordinary = np.mean([settle(case, rng, advised=False) for _ in range(150)])
    advised = np.mean([settle(case, rng, advised=True) for _ in range(150)])
    assert advised <= share * ordinary

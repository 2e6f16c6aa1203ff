"""Explanations name what counts, and the bench runs."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.attribute.attribution import Attribution, attribute
from pipeline.attribute.bench import growth, growth_exponent
from pipeline.attribute.why import why
from pipeline.errors import NotEnoughDataError
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.planted import WEEK, Plan, plant

SETTINGS = AttributeSettings()


@pytest.fixture(scope="module")
def answer() -> Attribution:
    """A fleet with one faulty vehicle and one faulty EVSE."""
    return attribute(plant(Plan(vehicle_faults={4: (60, 84, 0.95)}, evse_faults={7: (50, 84, 0.6)})), SETTINGS, WEEK)


def test_a_vehicle_is_explained_by_its_attempts_and_their_company(answer: Attribution) -> None:
    """Failures weigh for, charges against; others fared well at the EVSEs it failed with; the text says so."""
    told = why(answer, SETTINGS, "v004")
    bits = told.attempts.group_by("outcome").agg(pl.col("bits").mean()).sort("outcome")["bits"].to_list()
    assert bits[0] < 0 < bits[1]
    sound = told.company.filter(pl.col("partner") != "e007")
    assert sound["others_failures"].sum() < 0.2 * sound["others_attempts"].sum()
    assert "verdict 'fault'" in told.text()
    assert any("charge with a sound EVSE" in sentence for sentence in told.change)


def test_an_evse_and_an_attempt_are_explained_too(answer: Attribution) -> None:
    """The same for an EVSE; an attempt shows its four shares."""
    assert "EVSE e007" in why(answer, SETTINGS, "e007").headline
    failed = answer.blame.sort("p_vehicle", descending=True)["attempt_id"][0]
    assert "Shares: vehicle" in why(answer, SETTINGS, failed).headline


def test_an_unknown_id_is_a_clear_error(answer: Attribution) -> None:
    """What is not in the look-back cannot be explained, and the message says what can."""
    with pytest.raises(NotEnoughDataError, match="nobody"):
        why(answer, SETTINGS, "nobody")


def test_the_bench_times_growing_fleets() -> None:
    """Two small fleets give a row each with cells and seconds (speed itself is not tested here)."""
    table = growth(SETTINGS, ((60, 20, 6_000), (120, 40, 12_000)))
    assert table["cells"].is_sorted()
    assert (table["seconds"] > 0).all()
    assert growth_exponent(table) == growth_exponent(table)

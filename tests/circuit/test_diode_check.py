"""The limit of an EVSE's diode check, learnt from levels refused and passed."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.circuit.diode_check import COMPARED_SD_V, LIMIT_V, chance_refused, limit_posterior
from pipeline.circuit.pilot import low_window

EQUIPMENT = pl.DataFrame(
    {"evse_id": ["E1", "E2", "F1"], "evse_model": ["M", "M", "N"], "firmware": ["1", "1", "1"]}
)
SCHEMA = {"evse_id": pl.String, "low_v": pl.Float64, "refused": pl.Boolean}


def told(*rows: tuple[str, float, bool]) -> pl.DataFrame:
    """Outcomes at levels."""
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def mean_v(limits: np.ndarray) -> np.ndarray:
    """Mean limit of each EVSE."""
    return np.asarray(limits @ LIMIT_V)


def test_the_span_parts_good_generators_from_shorted_diodes() -> None:
    """From the highest good negative level to the lowest shorted one in B2, both derived from the tolerances."""
    assert LIMIT_V[0] == pytest.approx(low_window("B").hi_v)
    assert LIMIT_V[-1] == pytest.approx(low_window("B", shorted=True).lo_v, abs=0.05)


def test_nothing_known_is_a_flat_line() -> None:
    """Without an outcome every limit is as likely, and a shorted diode is refused all the same."""
    limits = limit_posterior(told(), EQUIPMENT)
    assert limits == pytest.approx(np.full((3, LIMIT_V.size), 1 / LIMIT_V.size))
    assert chance_refused(np.array([-8.8]), limits[:1])[0] > 0.99
    assert chance_refused(np.array([-12.0]), limits[:1])[0] < 0.01


def test_an_evse_is_judged_by_itself_first_and_then_by_its_kin() -> None:
    """Passed at -10.2 and refused at -9.8 V five times each: its limit lies between; its sibling leans there, a stranger not."""
    limits = limit_posterior(told(*[("E1", -10.2, False), ("E1", -9.8, True)] * 5), EQUIPMENT)
    own, sibling, stranger = mean_v(limits)
    assert own == pytest.approx(-10.0, abs=0.1)
    spread = np.sqrt(limits @ LIMIT_V**2 - mean_v(limits) ** 2)
    assert spread[0] < spread[1] < spread[2]
    assert stranger == pytest.approx(-10.4)
    assert abs(sibling + 10.0) < 0.2


def test_an_evse_with_thousands_of_outcomes_takes_nothing_from_one_of_another_model() -> None:
    """A likelihood of thousands of outcomes is tiny in every cell: each EVSE's is scaled by its own (derived)."""
    few = told(*[("F1", -10.2, False), ("F1", -9.8, True)])
    # refused low and passed high by turns: no limit fits, so even the best is far below what two outcomes give
    many = told(*[("E1", -9.0, False), ("E1", -11.0, True)] * 2000)
    alone, beside = (limit_posterior(rows, EQUIPMENT)[2] for rows in (few, pl.concat([few, many])))
    assert beside == pytest.approx(alone)


@given(st.floats(-12, -8), st.floats(-12, -8))
def test_a_higher_level_is_refused_no_less(one: float, other: float) -> None:
    """The check looks at one bound, so the chance never falls with the level."""
    limits = limit_posterior(told(("E1", -10.5, True)), EQUIPMENT)[:1].repeat(2, axis=0)
    low, high = sorted((one, other))
    chances = chance_refused(np.array([low, high]), limits)
    assert chances[0] <= chances[1] + 1e-12


def test_one_outcome_the_level_did_not_decide_is_borne() -> None:
    """A refusal at -11.9 V among twenty passes at -10.5 V does not move the limit below them."""
    limits = limit_posterior(told(*[("E1", -10.5, False)] * 20, ("E1", -11.9, True)), EQUIPMENT)
    assert mean_v(limits)[0] > -10.5


def test_other_firmware_is_no_kin() -> None:
    """The same model with other firmware may draw the line elsewhere: it learns nothing of it."""
    other = EQUIPMENT.with_columns(firmware=pl.Series(["1", "2", "1"]))
    limits = limit_posterior(told(*[("E1", -10.2, False), ("E1", -9.8, True)] * 5), other)
    assert limits[1] == pytest.approx(np.full(LIMIT_V.size, 1 / LIMIT_V.size))
    assert mean_v(limits)[0] == pytest.approx(-10.0, abs=0.1)


def test_no_equipment_gives_no_row() -> None:
    """An empty list of EVSEs stays empty."""
    assert limit_posterior(told(), EQUIPMENT.clear()).shape == (0, LIMIT_V.size)


def test_where_the_limit_is_known_the_chance_is_that_of_one_comparison() -> None:
    """At the limit a half, one standard deviation above it 0.841 (the normal distribution's table)."""
    limits = np.zeros((2, LIMIT_V.size))
    limits[:, 20] = 1.0
    at = LIMIT_V[20]
    assert chance_refused(np.array([at, at + COMPARED_SD_V]), limits) == pytest.approx([0.5, 0.8413], abs=1e-4)  # fmt: skip

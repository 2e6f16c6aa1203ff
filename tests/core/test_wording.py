"""Figures and parts in words."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.core.wording import (
    SUSPECTS,
    ohms,
    ohms_between,
    ohms_in,
    percent,
    probability,
    probability_in,
    suspect_in,
)
from pipeline.refer.suspects.signatures import learnt
from pipeline.registry import empty


@pytest.mark.parametrize(
    ("share", "digits", "said"),
    [
        (0.0, 0, "0 %"), (0.004, 0, "under 1 %"), (0.01, 0, "1 %"), (0.934, 0, "93 %"), (0.996, 0, "over 99 %"),
        (1.0, 0, "100 %"), (0.0004, 1, "under 0.1 %"), (0.934, 1, "93.4 %"), (0.9995, 1, "over 99.9 %"), (None, 0, "–"),
    ],
)  # fmt: skip
def test_a_share_is_not_rounded_to_none_or_all(share: float | None, digits: int, said: str) -> None:
    """Only a share that is none or all is said to be."""
    assert percent(share, digits) == said


@given(st.floats(0, 1))
def test_no_probability_is_certain(p: float) -> None:
    """A probability is never said to be 0 % or 100 %."""
    assert probability(p) not in {"0 %", "100 %"}


@pytest.mark.parametrize(
    ("ohm", "said"),
    [
        (246.0, "246 Ω"), (999.6, "1 kΩ"), (2740.0, "2.74 kΩ"), (55_512.0, "55.5 kΩ"), (999_600.0, "1 MΩ"), (1.26e6, "1.26 MΩ"),
        (39e6, "39 MΩ"), (40e6, "over range"), (None, "–"),
    ],
)  # fmt: skip
def test_a_resistance_is_said_as_a_meter_shows_it(ohm: float | None, said: str) -> None:
    """Three figures and the unit a meter would choose, also where rounding crosses into the next
    unit.
    """
    assert ohms(ohm) == said


def test_an_interval_without_an_upper_bound_reaches_over_range() -> None:
    """No upper bound of a resistance is what a meter shows as over range."""
    assert ohms_between(2740.0, None) == "2.74 kΩ to over range"
    assert ohms_between(2740.0, 1e6) == "2.74 kΩ to 1 MΩ"


def test_columns_are_worded_as_single_figures_are() -> None:
    """A reason's sentence and a page's cell say one figure in one way; null stays null."""
    rows = pl.DataFrame(
        {
            "p": [0.003, 0.5, None],
            "ohm": [2740.0, 1e8, None],
            "suspect": ["cable", "new_part", None],
        }
    )
    said = rows.select(probability_in("p"), ohms_in("ohm"), suspect_in("suspect"))
    assert said["p"].to_list() == ["under 1 %", "50 %", None]
    assert said["ohm"].to_list() == ["2.74 kΩ", "over range", None]
    assert said["suspect"].to_list() == ["cable", "new_part", None]


def test_every_declared_suspect_has_words() -> None:
    """Each suspect of the declared signatures is named in words, and no word is for a suspect that
    is not declared.
    """
    declared = {
        s
        for unit in ("vehicle", "evse")
        for s in learnt(unit, empty("decision_lesson"))[f"{unit}_prior"].categories
    }
    assert declared == set(SUSPECTS)

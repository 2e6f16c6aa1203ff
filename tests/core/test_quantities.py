"""Typed figures are understood or refused, never misread."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.core.quantities import Quantity, QuantityError, parse_quantity

OHM, VOLT, DUTY = (0.0, 1e9), (-20.0, 20.0), (0.0, 100.0)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("2740", 2740), ("2740 Ω", 2740), ("2.74 kΩ", 2740), ("2,74 kΩ", 2740), ("2.74k", 2740), ("2k74", 2740), ("2K7", 2700),
        ("1M2", 1.2e6), ("47R5", 47.5), ("1 200,5", 1200.5), ("1\u202f200", 1200), ("1'200.5", 1200.5), ("1,200.5", 1200.5),
        ("1.200,5", 1200.5), ("1,234,567", 1234567), ("2.740 kΩ", 2740), ("12 MΩ", 12e6), ("12 Mohm", 12e6), ("3 meg", 3e6),
        ("0,470 kohm", 470), ("2.7e3", 2700), ("  882 ohms ", 882), ("2,7", 2.7), ("0", 0),
    ],
)  # fmt: skip
def test_ohms_as_people_write_them(text: str, value: float) -> None:
    """Prefixes, thousands apart by blank, comma or point, decimal comma, the letter in place of the point (common practice)."""
    assert parse_quantity(text, "ohm", OHM) == Quantity(pytest.approx(value))


@pytest.mark.parametrize("text", ["2,740", "2.740", "1.234", "12,345", "2,740 kΩ"])
def test_what_may_be_two_figures_is_refused(text: str) -> None:
    """2,740 may be 2740 or 2.74: it is asked back, with both ways to write it."""
    with pytest.raises(QuantityError, match="may be") as refused:
        parse_quantity(text, "ohm", OHM)
    assert refused.value.next_step
    assert "write" in refused.value.next_step


def test_bounds_decide_where_they_can() -> None:
    """No pilot has 8790 V: 8,790 is 8.79; in files points are decimal by agreement."""
    assert parse_quantity("8,790", "V", VOLT).value == pytest.approx(8.79)
    assert parse_quantity("-8.790 V", "V", VOLT).value == pytest.approx(-8.79)
    assert parse_quantity("−12,0", "V", VOLT).value == -12
    assert parse_quantity("8790 mV", "V", VOLT).value == pytest.approx(8.79)
    assert parse_quantity("26,67 %", "%", DUTY).value == pytest.approx(26.67)
    assert parse_quantity("2.740", "ohm", OHM, decimal_point=True).value == pytest.approx(2.74)


@pytest.mark.parametrize(
    "text", ["OL", "O.L", "0L", "o.l.", ".OL", "over range", "Overload", "∞", "inf"]
)
def test_over_range_is_a_reading(text: str) -> None:
    """What a meter shows on a healthy CP–PE reverse resistance."""
    assert parse_quantity(text, "ohm", OHM) == Quantity(None)


def test_over_a_named_range() -> None:
    """'> 40 MΩ' says where the range ended."""
    assert parse_quantity("> 40 MΩ", "ohm", OHM) == Quantity(None, 40e6)


@pytest.mark.parametrize(
    ("text", "unit", "bounds"),
    [
        ("", "ohm", OHM), ("kΩ", "ohm", OHM), ("2.7 V", "ohm", OHM), ("2.7 kΩ", "V", VOLT), ("12 34", "ohm", OHM),
        ("1,23,456", "ohm", OHM), ("-5", "ohm", OHM), ("OL", "V", VOLT), ("120", "V", VOLT), ("nan", "V", VOLT),
        ("5 k", "%", DUTY),
        ("about 3", "ohm", OHM), ("3 to 4", "ohm", OHM), ("1.2.3", "ohm", OHM), ("--3", "V", VOLT), ("5e", "ohm", OHM),
    ],
)  # fmt: skip
def test_all_else_is_refused_and_says_how(
    text: str, unit: str, bounds: tuple[float, float]
) -> None:
    """No figure, another unit, groups that are none, beyond what can be."""
    with pytest.raises(QuantityError) as refused:
        parse_quantity(text, unit, bounds)
    assert refused.value.next_step


@given(st.text(max_size=12))
def test_any_text_gives_a_figure_within_bounds_or_a_refusal(text: str) -> None:
    """Nothing typed breaks the parser, and nothing beyond the bounds comes out."""
    try:
        read = parse_quantity(text, "V", VOLT)
    except QuantityError:
        return
    assert read.value is not None
    assert VOLT[0] <= read.value <= VOLT[1]


@given(st.floats(0, 9e8), st.sampled_from(["{:.3f} Ω", "{:.6e}", "{:,.2f}"]))
def test_plain_figures_come_back(value: float, form: str) -> None:
    """What a program writes is read as written, or refused where it may be two."""
    text = form.format(value)
    meant = float(text.replace("Ω", "").replace(",", ""))
    try:
        read = parse_quantity(text, "ohm", OHM).value
    except QuantityError as refused:
        told = refused.what
    else:
        told = ""
        assert read == pytest.approx(meant, rel=1e-9)
    assert told == "" or "may be" in told

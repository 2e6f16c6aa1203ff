"""Figures of the data page as a person reads them."""

from __future__ import annotations

import pytest

from dashboards.language import Language
from dashboards.records import _flat, plain_figures


@pytest.mark.parametrize(
    ("detail", "shown"),
    [
        ("3980271.0 to 4880525.0 Wh in 271.0 s at 11.0 kW", "3980271 to 4880525 Wh in 271 s at 11 kW"),
        ("open for 1477.98 s of C2", "open for 1478 s of C2"), ("off by -1.0 days", "off by -1 days"),
        ("3437039.0 to 4340681.0 Wh in 0.55 h at 7.4 kW", "3437039 to 4340681 Wh in 0.55 h at 7.4 kW"),
        ("negative level -9.52 V in B2, positive level 8.18 V", "negative level -9.52 V in B2, positive level 8.18 V"),
        ("7.5 % in B2", "7.5 % in B2"), ("53.0 % in C2", "53 % in C2"), ("99.6 V in C2", "99.6 V in C2"), ("100.6 V in C2", "101 V in C2"),
        ("vehicle parcels-02 until 2026-03-04 11:46:44.575+00", "vehicle parcels-02 until 2026-03-04 11:46:44 UTC"),
        ("transaction 7.0", "transaction 7.0"), ("from 3 to 5 in box-1.0 V", "from 3 to 5 in box-1.0 V"),
        ("2740.0 / 2750.0 ohm, vehicle v-1.0", "2740 / 2750 ohm, vehicle v-1.0"),
    ],
)  # fmt: skip
def test_figures_without_decimals_that_say_nothing(detail: str, shown: str) -> None:
    """None of nought, none of hundreds; instants are UTC's; what is part of an id stays as it is."""
    assert plain_figures(detail) == shown


def test_settings_are_shown_as_they_are_written() -> None:
    """No powers of ten, no brackets: each entry of a list of states is a row of its own; what is not set is left out."""
    settings = {"a": {"s": 86400.0, "p": 0.05, "on": True},
                "states": [{"loud": 0.97, "days": None}, {"loud": 0.5}], "l": [1.0, 0.8], "e": []}  # fmt: skip
    assert _flat(Language("en"), settings) == [
        ("a.s", "86400"), ("a.p", "0.05"), ("a.on", "yes"),
        ("states 1", "loud 0.97"), ("states 2", "loud 0.5"), ("l", "1, 0.8"), ("e", "–"),
    ]  # fmt: skip

"""The look: every pair of colours that meet can be read, on screen by day and night and on paper."""

from __future__ import annotations

import re

import pytest

from dashboards.markup import STATIC

# WCAG 2.2: 1.4.3 text 4.5 : 1, 1.4.11 what must be seen to be understood 3 : 1 (published).
TEXT, SHAPE = 4.5, 3.0
PAIRS = [
    *((ink, ground, TEXT) for ink in ("ink", "muted", "link") for ground in ("paper", "card")),
    *(
        (colour, ground, TEXT)
        for colour in ("vehicle", "evse", "pairing", "good")
        for ground in ("paper", "card")
    ),
    ("ink", "raised", TEXT),
    ("muted", "raised", TEXT),
    ("ink", "caution", TEXT),
    ("on-colour", "vehicle", TEXT),
    ("on-colour", "evse", TEXT),
    ("on-colour", "pairing", TEXT),
    ("other", "paper", SHAPE),
    ("other", "card", SHAPE),
    ("focus", "paper", SHAPE),
    ("focus", "card", SHAPE),
    ("caution-edge", "caution", SHAPE),
]


def _schemes() -> dict[str, dict[str, str]]:
    text = (STATIC / "look.css").read_text(encoding="utf-8")
    tables = re.findall(r"--paper:[^}]*", text)
    assert len(tables) == 3
    read = [dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", table)) for table in tables]
    return dict(zip(("light", "dark", "paper"), read, strict=True))


def _luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it (published)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = ((p / 12.92) if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def _contrast(one: str, other: str) -> float:
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark", "paper"])
def test_what_meets_can_be_told_apart(scheme: str) -> None:
    """Text reaches 4.5 : 1 and shapes 3 : 1 on every ground they stand on (WCAG 2.2 AA)."""
    table = _schemes()[scheme]
    low = {
        f"{ink} on {ground}": round(_contrast(table[ink], table[ground]), 2)
        for ink, ground, least in PAIRS
        if _contrast(table[ink], table[ground]) < least
    }
    assert low == {}


def test_contrast_is_measured_as_published() -> None:
    """Black on white is 21 : 1, a colour on itself 1 : 1 (WCAG 2.2, published)."""
    assert _contrast("#000000", "#ffffff") == pytest.approx(21)
    assert _contrast("#a33d0c", "#a33d0c") == pytest.approx(1)


def test_the_style_sheet_uses_the_scales_and_the_table_only() -> None:
    """No size of type and no colour stands in pages.css that look.css does not name."""
    text = re.sub(
        r"/\*.*?\*/", "", (STATIC / "pages.css").read_text(encoding="utf-8"), flags=re.DOTALL
    )
    sizes = re.findall(r"font-size:\s*([^;}]+)", text)
    assert {size.strip() for size in sizes if not size.strip().startswith("var(--type-")} <= {"1em"}
    assert re.findall(r"#[0-9a-fA-F]{3,8}\b(?![^{]*\{)", text) == []
    named = set(re.findall(r"var\((--[a-z0-9-]+)", text))
    look = set(re.findall(r"(--[a-z0-9-]+):", (STATIC / "look.css").read_text(encoding="utf-8")))
    assert named <= look | {"--left", "--right"}

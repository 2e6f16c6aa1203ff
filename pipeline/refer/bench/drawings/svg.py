"""The few shapes the drawings need."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape


@dataclass(frozen=True)
class Look:
    """Colours: lines and words, faint lines, the red lead, the black lead, what differs from expected."""

    ink: str
    faint: str
    red: str
    black: str
    paper: str


PAGE = Look("currentColor", "var(--line, #999)", "#c62828", "currentColor", "var(--paper, #fff)")
PAPER = Look("#1a1a1a", "#999999", "#b3261e", "#1a1a1a", "#ffffff")


def document(width: float, height: float, title: str, parts: list[str], look: Look) -> str:
    """An SVG of that size in px; `title` says what is seen, for those who do not see it."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" width="{width:g}" height="{height:g}" '
        f'role="img" font-family="sans-serif" font-size="12" fill="{look.ink}"><title>{escape(title)}</title>'
        + "".join(parts)
        + "</svg>"
    )


def text(
    x: float,
    y: float,
    words: str,
    *,
    anchor: str = "middle",
    size: float = 12,
    fill: str = "",
    bold: bool = False,
) -> str:
    """Words with their baseline at y."""
    colour = f' fill="{fill}"' if fill else ""
    weight = ' font-weight="bold"' if bold else ""
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" font-size="{size:g}"{colour}{weight}>{escape(words)}</text>'


def line(points: list[tuple[float, float]], stroke: str, width: float = 1.5, dash: str = "") -> str:
    """A line through points."""
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    path = " ".join(f"{x:g},{y:g}" for x, y in points)
    return f'<polyline points="{path}" fill="none" stroke="{stroke}" stroke-width="{width:g}"{dashes}/>'


def circle(
    x: float, y: float, r: float, stroke: str, fill: str = "none", width: float = 1.5
) -> str:
    """A circle."""
    return f'<circle cx="{x:g}" cy="{y:g}" r="{r:g}" stroke="{stroke}" fill="{fill}" stroke-width="{width:g}"/>'


def box(
    place: tuple[float, float, float, float],
    stroke: str,
    *,
    radius: float = 0,
    fill: str = "none",
    dash: str = "",
) -> str:
    """A rectangle at (x, y, width, height)."""
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    x, y, w, h = place
    size = f'x="{x:g}" y="{y:g}" width="{w:g}" height="{h:g}" rx="{radius:g}"'
    return f'<rect {size} stroke="{stroke}" fill="{fill}" stroke-width="1.5"{dashes}/>'

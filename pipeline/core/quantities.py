"""Figures as people type them: '2.74 kΩ', '1 200,5', '2k7', 'OL'. Understood or refused, never misread."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import product

from pipeline.core.errors import DecisionError

PREFIXES = {"": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9, "m": 1e-3, "µ": 1e-6, "u": 1e-6}
UNITS = {"ohm": ("ohms", "ohm", "Ω", "R"), "V": ("volts", "volt", "V"), "%": ("%", "percent")}
_SPACES = "\u00a0\u2009\u202f'’"
_OVER = re.compile(r"(?i)^\.?[o0]\.?l\.?$|^over[ -]?(range|load|flow|limit)$|^(\+?inf(inity)?|∞)$")
_ABOVE = re.compile(r"^(?:>|more than|above|over)\s*(.+)$", re.IGNORECASE)
_CODE = re.compile(r"^([+-]?\d+)([kKMR])(\d+)$")
_NUMBER = re.compile(r"^([+-]?)(\d[\d., ]*|[.,]\d+)([eE][+-]?\d+)?$")


class QuantityError(DecisionError):
    """What was typed is no figure, or may be two."""


@dataclass(frozen=True)
class Quantity:
    """A figure in the unit asked for; or, `value` None, a reading over range, above `above` where that was said."""

    value: float | None
    above: float | None = None

    @property
    def over_range(self) -> bool:
        """The instrument's range was exceeded."""
        return self.value is None


def parse_quantity(
    text: str, unit: str, bounds: tuple[float, float], *, decimal_point: bool = False
) -> Quantity:
    """A figure in `unit` ('ohm', 'V' or '%') within `bounds`.

    A comma or point before three digits may part thousands or decimals: it is understood where only one
    meaning lies within the bounds, else refused. `decimal_point` says that points are decimal (files).

    Raises QuantityError naming the text and how to write it.
    """
    typed = re.sub(f"[{_SPACES}]", " ", text).replace("−", "-").replace("–", "-")
    typed = typed.replace("\u2126", "Ω").strip()
    if _OVER.match(typed):
        return _over(text, unit, None)
    if (above := _ABOVE.match(typed)) is not None:
        limit = parse_quantity(above[1], unit, bounds, decimal_point=decimal_point)
        return _over(text, unit, limit.value)
    figures, prefix = _without_unit(typed, unit, text)
    meanings = _meanings(figures, prefix=prefix, decimal_point=decimal_point)
    within = sorted({m * PREFIXES[prefix] for m in meanings if _in(m * PREFIXES[prefix], bounds)})
    if len(within) == 1:
        return Quantity(within[0])
    if within:
        ways = " or ".join(f"{value:.12g} {unit}" for value in within)
        raise QuantityError(f"{text!r} may be {ways}", next_step=_ways(within, unit))
    if meanings:
        raise QuantityError(
            f"{text!r} cannot be: it would be {meanings[0] * PREFIXES[prefix]:g} {unit}",
            next_step=f"it lies between {bounds[0]:g} and {bounds[1]:g} {unit}",
        )
    raise QuantityError(f"{text!r} is no figure in {unit}", next_step=_example(unit))


def _over(text: str, unit: str, above: float | None) -> Quantity:
    if unit != "ohm":
        raise QuantityError(
            f"{text!r} says nothing in {unit}", next_step="choose a higher range and measure again"
        )
    return Quantity(None, above)


def _in(value: float, bounds: tuple[float, float]) -> bool:
    return bounds[0] <= value <= bounds[1]


def _ways(values: list[float], unit: str) -> str:
    if unit == "ohm":
        return "write " + " or ".join(
            f"{v:.12g} Ω" if v < 1e3 else f"{v / 1e3:.12g} kΩ" for v in values
        )
    return "write " + " or ".join(f"{v:.12g}" for v in values)


def _example(unit: str) -> str:
    return "write it like 2740, 2.74 kΩ or OL" if unit == "ohm" else "write it like -8.8"


def _without_unit(typed: str, unit: str, text: str) -> tuple[str, str]:
    """The figures and the prefix; a unit of another quantity is refused."""
    code = _CODE.match(typed) if unit == "ohm" else None
    if code:
        return f"{code[1]}.{code[3]}e0", "" if code[2] == "R" else code[2]
    found = re.match(r"^(.*?[\d.,])\s*([^\d.,\s][^\d.,]*)?$", typed)
    if not found:
        raise QuantityError(f"{text!r} is no figure in {unit}", next_step=_example(unit))
    word = (found[2] or "").strip()
    bare = next(
        (word[: -len(name)] for name in UNITS[unit] if word.lower().endswith(name.lower())), word
    )
    prefix = "M" if bare.lower() == "meg" else bare.strip()
    if prefix not in PREFIXES or (unit == "%" and prefix):
        raise QuantityError(f"{text!r} is no figure in {unit}", next_step=_example(unit))
    return found[1].strip(), prefix


def _meanings(figures: str, *, prefix: str, decimal_point: bool) -> list[float]:
    """All numbers the figures may mean: each separator parts thousands or decimals."""
    found = _NUMBER.match(figures)
    if not found:
        return []
    sign, body, exponent = found[1], found[2].strip(), found[3] or ""
    # a point that parts decimals by agreement, or beside a prefix: nobody writes thousands of kilo-ohms with a point
    point_only = decimal_point or bool(prefix) or bool(exponent)
    out = []
    for thousands, decimal in product((" ", ",", ".", ""), (",", ".", "")):
        if thousands == decimal and thousands:
            continue
        if thousands == "." and point_only:
            continue
        plain = _read(body, thousands, decimal)
        if plain is not None:
            out.append(float(f"{sign}{plain}{exponent}"))
    return list(dict.fromkeys(out))


def _read(body: str, thousands: str, decimal: str) -> str | None:
    """The body as a plain number when these are its separators, else None. Groups of thousands have three digits."""
    whole, point, part = body.partition(decimal) if decimal else (body, "", "")
    if point and not part.isdigit():
        return None
    groups = whole.split(thousands) if thousands else [whole]
    if len(groups) > 1 and not (
        1 <= len(groups[0]) <= 3 and groups[0][0] != "0" and all(len(g) == 3 for g in groups[1:])
    ):
        return None
    joined = "".join(groups)
    if joined and not joined.isdigit():
        return None
    return f"{joined or '0'}.{part or '0'}"

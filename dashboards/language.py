"""The pages' words in the language chosen: one strings file, one key a sentence.

What comes from the tables is English (a rule's meaning); a reason is told by `reasons.yaml`, a caution by `cautions.yaml`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from pipeline.core.wording import probability
from pipeline.registry import load_file

STRINGS = Path(__file__).resolve().parent / "strings.yaml"
LANGUAGES = ("en", "de")


@cache
def strings() -> Mapping[str, Mapping[str, str]]:
    """Key to language to text."""
    return load_file(STRINGS)


@dataclass(frozen=True)
class Language:
    """One language of the pages."""

    code: str = "en"

    def __call__(self, key: str, **values: Any) -> str:
        """The text of a key with its values filled in.

        A text of the form `one|many` is chosen by the value `n`; `none|one|many` knows nought too.
        Raises KeyError for a key that the strings file lacks.
        """
        text = strings()[key][self.code]
        if "|" in text:
            forms = text.split("|")
            last = len(forms) - 1
            text = forms[{0: 0 if last == 2 else 1, 1: last - 1}.get(values["n"], last)]
        shown = {
            name: self.number(value) if isinstance(value, int | float) else value
            for name, value in values.items()
        }
        return text.format(**shown)

    def of(self, group: str, code: str | None) -> str:
        """The word for a code of the tables; the code itself where the strings file lacks it."""
        if code is None:
            return "–"
        found = strings().get(f"{group}.{code}")
        return found[self.code] if found else code.replace("_", " ")

    def number(self, value: float | None, digits: int | None = None) -> str:
        """A number, thousands apart, with the language's decimal sign; a dash where there is none."""
        if value is None:
            return "–"
        text = f"{value:,}" if digits is None else f"{value:,.{digits}f}"
        return text if self.code == "en" else text.translate(str.maketrans(",.", ".,"))

    def probability(self, p: float | None) -> str:
        """A probability in words: none is certain, whatever it was rounded to."""
        return self.figure(probability(p))

    def figure(self, text: str) -> str:
        """A figure as core words it ('over 99 %', '2.71 kΩ to over range'), in this language and with its decimal sign."""
        if self.code == "en":
            return text
        for key in ("over_range", "over", "under", "to"):
            text = text.replace(strings()[f"number.{key}"]["en"], self(f"number.{key}"))
        return re.sub(r"(\d)\.(\d)", r"\1,\2", text)

    def day(self, at: datetime | None, *, year: bool = True) -> str:
        """A day, as `14 March 2026`."""
        if at is None:
            return "–"
        month = self(f"month.{at.month}")
        dot = "." if self.code == "de" else ""
        return f"{at.day}{dot} {month} {at.year}" if year else f"{at.day}{dot} {month}"

    def short_day(self, at: datetime) -> str:
        """A day for a table, as `14 Mar 2026`."""
        return self.day(at).replace(self(f"month.{at.month}"), self(f"month.{at.month}")[:3])

    def group(self, *prefixes: str) -> dict[str, str]:
        """All texts of some groups by key, for the pages' script."""
        found = strings().items()
        return {k: v[self.code] for k, v in found if k.split(".")[0] in prefixes}

"""An entry of finished sessions: which column and word of a table is which of ours."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import Any, Literal, Self

from pydantic import Field, field_validator, model_validator

from pipeline.doorway import times
from pipeline.doorway.entries import Entry, listed
from pipeline.registry import load_folder

# Our columns that an export may have; the first two it must.
COLUMNS = (
    "evse_id", "plugged_at", "id_token", "vehicle_id", "unplugged_at", "duration", "energy_kwh", "end_reason",
    "fault", "session_id",
)  # fmt: skip
_MUST = ("evse_id", "plugged_at")
# A word of an export may mean that nothing was wrong; OCPP 1.6 ChargePointErrorCode.
NO_FAULT = "NoError"


@cache
def _codes() -> dict[str, set[str]]:
    lists = load_folder("codes")
    reasons = lists["ocpp16_stop_reason"]
    return {
        "fault": {*lists["fault"], NO_FAULT},
        "end_reason": {*reasons["canonical"], *reasons["unusable"]},
    }


class Export(Entry):
    """How finished sessions stand in a table: which of its columns and words is which of ours."""

    columns: dict[str, tuple[str, ...]]
    decimal: Literal[".", ","] = "."
    energy_unit: Literal["Wh", "kWh"] = "kWh"
    duration_unit: str = "s"
    blank: tuple[str, ...] = ()
    end_reason: dict[str, str] = Field(default_factory=dict)
    fault: dict[str, str] = Field(default_factory=dict)

    _one = field_validator("blank", mode="before")(listed)

    @field_validator("columns", mode="before")
    @classmethod
    def _lists(cls, columns: Any) -> Any:
        return (
            {key: listed(given) for key, given in columns.items()}
            if isinstance(columns, Mapping)
            else columns
        )

    @field_validator("columns")
    @classmethod
    def _ours(cls, columns: dict[str, tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
        unknown = sorted(set(columns) - set(COLUMNS))
        missing = [name for name in _MUST if name not in columns]
        if unknown or missing:
            parts = [f"not ours: {', '.join(unknown)}"] * bool(unknown)
            parts += [f"missing: {', '.join(missing)}"] * bool(missing)
            raise ValueError(f"{'; '.join(parts)}; ours are {', '.join(COLUMNS)}")
        empty = sorted(
            name for name, joined in columns.items() if not any(part.strip() for part in joined)
        )
        if empty:
            raise ValueError(f"{empty[0]} names no column")
        if "duration" in columns and "unplugged_at" in columns:
            raise ValueError("duration stands for unplugged_at: name one of them")
        return columns

    @field_validator("duration_unit")
    @classmethod
    def _unit(cls, unit: str) -> str:
        if unit not in {"s", "min", "h"} and not re.fullmatch(r"%H:%M(:%S)?|%M:%S", unit):
            raise ValueError(f"{unit!r} is none of s, min, h, '%H:%M:%S', '%H:%M', '%M:%S'")
        return unit

    @model_validator(mode="after")
    def _known_words(self) -> Self:
        if self.timezone is None and not all(self._zoned(form) for form in self.forms):
            raise ValueError(
                "timezone is missing, and needed: the times say no offset of their own"
            )
        if times.PAYLOAD in self.time_format:
            raise ValueError("time_format: payload is for frames")
        for form in self.forms:
            if not times.has_year(form):
                raise ValueError(f"time_format: {form!r} names no year")
        for name, given in (("fault", self.fault), ("end_reason", self.end_reason)):
            wrong = sorted(set(given.values()) - _codes()[name])
            if wrong:
                raise ValueError(
                    f"{name}: {', '.join(wrong)} is none of {', '.join(sorted(_codes()[name]))}"
                )
        return self

    @staticmethod
    def _zoned(form: str) -> bool:
        return form in times.EPOCHS or "%z" in form or "%Z" in form

    @property
    def forms(self) -> tuple[str, ...]:
        """Formats of its times, in order; ISO 8601 where none is given."""
        return self.time_format or (times.ISO,)

    @property
    def zone(self) -> str:
        """The zone of its local times."""
        return self.timezone or "UTC"

    @property
    def plain_columns(self) -> tuple[str, ...]:
        """Every column or word that stands for one of ours."""
        return tuple(part for joined in self.columns.values() for part in joined)

"""The mapping of a session export: which of its columns and words is which of ours."""

from __future__ import annotations

import codecs
import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from fnmatch import fnmatchcase
from functools import cache
from pathlib import PurePosixPath
from typing import Literal
from zoneinfo import ZoneInfo

import yaml
from pydantic import Field, ValidationError, field_validator, model_validator

from pipeline.registry import load_folder
from pipeline.settings.base import Frozen

# Our columns that an export may have; the first two it must.
COLUMNS = (
    "evse_id",
    "plugged_at",
    "id_token",
    "vehicle_id",
    "unplugged_at",
    "energy_kwh",
    "end_reason",
    "fault",
)
_MUST = ("evse_id", "plugged_at")
_PACKED = (".gz", ".zst")
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


class Export(Frozen):
    """One entry: the files it covers (a glob beside the mapping file) and how they are written."""

    file: str = Field(min_length=1)
    columns: dict[str, str]
    timezone: str
    delimiter: str = Field(",", min_length=1, max_length=1)
    decimal: Literal[".", ","] = "."
    encoding: str = "utf-8"
    time_format: str | None = None
    energy_unit: Literal["Wh", "kWh"] = "kWh"
    end_reason: dict[str, str] = Field(default_factory=dict)
    fault: dict[str, str] = Field(default_factory=dict)

    @field_validator("columns")
    @classmethod
    def _ours(cls, columns: dict[str, str]) -> dict[str, str]:
        unknown = sorted(set(columns) - set(COLUMNS))
        missing = [name for name in _MUST if name not in columns]
        if unknown or missing:
            parts = [f"not ours: {', '.join(unknown)}"] * bool(unknown) + [
                f"missing: {', '.join(missing)}"
            ] * bool(missing)
            raise ValueError(f"{'; '.join(parts)}; ours are {', '.join(COLUMNS)}")
        return columns

    @field_validator("timezone")
    @classmethod
    def _zone(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (KeyError, ValueError, OSError) as error:
            raise ValueError(f"{name!r} is not an IANA time zone") from error
        return name

    @field_validator("encoding")
    @classmethod
    def _text_encoding(cls, name: str) -> str:
        try:
            "".encode(name)
            return codecs.lookup(name).name
        except (LookupError, ValueError) as error:
            raise ValueError(f"{name!r} is no text encoding known here") from error

    @field_validator("time_format")
    @classmethod
    def _format(cls, form: str | None) -> str | None:
        if form is not None:
            sample = datetime(2026, 3, 2, 7, 31, 15)  # noqa: DTZ001  # only to try the format
            try:
                datetime.strptime(sample.strftime(form), form)  # noqa: DTZ007
            except ValueError as error:
                raise ValueError(f"{form!r} is no strptime format: {error}") from error
        return form

    @model_validator(mode="after")
    def _known_words(self) -> Export:
        for name, given in (("fault", self.fault), ("end_reason", self.end_reason)):
            wrong = sorted(set(given.values()) - _codes()[name])
            if wrong:
                raise ValueError(
                    f"{name}: {', '.join(wrong)} is none of {', '.join(sorted(_codes()[name]))}"
                )
        return self

    @property
    def reading(self) -> str:
        """A name of how this entry has a file read; which files it covers is no part of it."""
        words = json.dumps(self.model_dump(mode="json", exclude={"file"}), sort_keys=True)
        return hashlib.sha256(words.encode()).hexdigest()

    def covers(self, folder: str, file: str) -> bool:
        """True where a file (path in the delivery) matches the glob, seen from the mapping file's
        folder; packed or not.
        """
        path = PurePosixPath(file)
        names = [path, path.with_suffix("")] if path.suffix in _PACKED else [path]
        pattern = (PurePosixPath(folder) / self.file).parts
        return any(
            len(name.parts) == len(pattern) and all(map(fnmatchcase, name.parts, pattern)) for name in names
        )  # fmt: skip


class Mapping(Frozen):
    """A mapping file."""

    exports: list[Export] = Field(min_length=1)


def parse(text: str) -> Mapping | str:
    """The mapping in a YAML text, or what is wrong with it.

    Every scalar is read as text (`no`, `1`, `2026-01-01` are words of an export, not booleans,
    numbers, dates).
    """
    try:
        return Mapping.model_validate(yaml.load(text, Loader=yaml.BaseLoader))  # noqa: S506  # builds text, lists, maps only
    except yaml.YAMLError as error:
        return f"no YAML: {error}"
    except ValidationError as error:
        return "; ".join(f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors()[:20])
    except RecursionError:
        return "nested too deep"


@dataclass(frozen=True)
class Delivered:
    """A mapping file.

    Its place in its delivery, its content's hash, and when that was first read (None: never
    before).
    """

    file: str
    sha256: str
    mapping: Mapping
    since: datetime | None

    @property
    def folder(self) -> str:
        """Where its globs are seen from."""
        return str(PurePosixPath(self.file).parent)


class Mappings:
    """The mappings at hand, those of this delivery first, then earlier ones, newest first."""

    def __init__(self, found: Iterable[Delivered]) -> None:
        self._found = list(found)

    def covering(self, file: str) -> tuple[Export, datetime | None] | None:
        """The first entry that covers a file, and since when its mapping is known (None.

        This delivery brings it).
        """
        entries = ((one, export) for one in self._found for export in one.mapping.exports)
        return next(
            ((export, one.since) for one, export in entries if export.covers(one.folder, file)),
            None,
        )

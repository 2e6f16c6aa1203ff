"""The shape of every declaration in `schemas/`, strict: a typo names file, key and what is allowed.

One model a folder. A key that is missing, unknown or of another type is refused when the folder is
read, never when its value is first used.
"""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from pipeline.core.errors import SchemaError

Words = Annotated[list[str], Field(min_length=1)]


class Declaration(BaseModel):
    """The base of all declarations: frozen, no key beyond those named."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class FieldDeclaration(Declaration):
    """`schemas/fields`: one quantity."""

    type: Literal["text", "int", "float", "bool", "timestamp", "text_list"]
    meaning: str = Field(min_length=1)
    source: str
    unit: str | None = None
    values: list[str] = []
    minimum: float | int | None = None
    maximum: float | int | None = None


class TableDeclaration(Declaration):
    """`schemas/tables`: grain, key, and the columns as names of fields, `?` where null may stand."""

    grain: str = Field(min_length=1)
    key: list[str]
    columns: str = Field(min_length=1)


class SourceDeclaration(Declaration):
    """`schemas/sources.yaml`: where a fact comes from and how it was seen."""

    title: str = Field(min_length=1)
    seen: str = Field(min_length=1)


class RuleDeclaration(Declaration):
    """`schemas/rules`: one impossible or remarkable state."""

    family: str
    severity: Literal["reject", "distrust", "note"]
    acts: str
    source: str
    clause: str
    meaning: str = Field(min_length=1)
    records: str
    needs: list[str]
    scope: str = Field(min_length=1)
    problem: str = Field(min_length=1)
    detail: str = Field(min_length=1)
    limits: dict[str, float | int] = {}
    max_rate: float | None = Field(default=None, ge=0, le=1)


class ViewDeclaration(Declaration):
    """`schemas/views`: what rules look at."""

    meaning: str = Field(min_length=1)
    tables: list[str]
    sql: str = Field(min_length=1)
    keep: bool = False
    settles: bool = False


class SignatureDeclaration(Declaration):
    """`schemas/signatures`: how often each category goes with each suspect."""

    title: str = Field(min_length=1)
    categories: Words
    rows: dict[str, list[float | int]]
    strength: float | int = Field(gt=0)
    source: str = Field(min_length=1)
    words: list[str] = []
    direct: bool = False


class CodeListDeclaration(Declaration):
    """`schemas/codes`: the words of one list, in three states; `contains` names parts of words."""

    source: str
    canonical: list[str]
    alias: dict[str, str]
    unusable: list[str]
    contains: dict[str, str] = {}


class FaultDeclaration(Declaration):
    """A canonical fault code: how exactly it names the trouble, and what it means."""

    rank: int = Field(ge=0, le=2)
    serves_authorisation: bool = False
    meaning: str = Field(min_length=1)
    source: str


_SHAPES: Mapping[str, TypeAdapter[Any]] = {
    "fields": TypeAdapter(FieldDeclaration),
    "tables": TypeAdapter(TableDeclaration),
    "sources": TypeAdapter(SourceDeclaration),
    "rules": TypeAdapter(RuleDeclaration),
    "views": TypeAdapter(ViewDeclaration),
    "signatures": TypeAdapter(SignatureDeclaration),
    "codes": TypeAdapter(CodeListDeclaration),
    "moves": TypeAdapter(Words),
}
_LISTS: Mapping[tuple[str, str], TypeAdapter[Any]] = {
    ("codes", "fault"): TypeAdapter(dict[str, FaultDeclaration]),
    ("signatures", "fault_word_groups"): TypeAdapter(dict[str, list[str]]),
}
"""Entries that are a list of their own and not one of their folder's shape."""


def checked(folder: str, name: str, body: object, path: Path) -> Any:
    """The declaration as it was written, if it has its folder's shape.

    Raises SchemaError that names the file, the key and what was expected there.
    """
    shape = _LISTS.get((folder, name)) or _SHAPES.get(folder)
    if shape is None:
        return body
    try:
        shape.validate_python(body)
    except ValidationError as error:
        raise SchemaError(
            "; ".join(_told(name, dict(fault), body, shape) for fault in error.errors()),
            where=f"schemas/{folder}/{path.name}",
            next_step="correct the declaration; docs/how-to shows one of each kind",
        ) from None
    return body


def _told(name: str, fault: Mapping[str, Any], body: object, shape: TypeAdapter[Any]) -> str:
    """One fault in words: the key's path, what is wrong, the keys that are allowed."""
    loc = [str(part) for part in fault["loc"]]
    key = ".".join([name, *loc])
    if fault["type"] == "missing":
        return f"{key} is missing"
    allowed = sorted(shape.json_schema().get("properties", {}))
    if fault["type"] == "extra_forbidden":
        near = get_close_matches(loc[-1], allowed, n=1)
        hint = f"did you mean {near[0]}?" if near else f"allowed: {', '.join(allowed)}"
        return f"{key} is no key of this kind ({hint})"
    given = fault.get("input")
    shown = type(body).__name__ if given is body else repr(given)[:60]
    return f"{key}: {fault['msg']}, found {shown}"

"""What a name means: tables, columns, codes, rules, settings, from their declarations."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterator

from pydantic import BaseModel

from pipeline.core.errors import SchemaError
from pipeline.doorway.meanings import explained
from pipeline.registry import Field, Table, load_folder, registry
from pipeline.settings import Settings
from pipeline.validate import explain_rule, rules


def _source(name: str) -> str:
    source = registry().sources[name]
    return f"{source.title} ({source.seen})"


def _field(field: Field) -> str:
    ends = (("from", field.minimum), ("to", field.maximum))
    told = " ".join(f"{word} {end:g}" for word, end in ends if end is not None)
    limits = f"\nRange:   {told}" if told else ""
    values = f"\nValues:  {', '.join(field.values)}" if field.values else ""
    places = [
        t.name for t in registry().tables.values() if any(c.field is field for c in t.columns)
    ]
    unit = f" in {field.unit}" if field.unit else ""
    return (
        f"{field.name}: {field.type}{unit}\nMeaning: {field.meaning}{values}{limits}"
        f"\nSource:  {_source(field.source)}\nStands in: {', '.join(places)}"
    )


def _table(table: Table) -> str:
    rows = [
        f"  {c.name:<22} {c.field.type + (' in ' + c.field.unit if c.field.unit else ''):<16} "
        f"{'may be null  ' if c.nullable else '             '}{c.field.meaning}"
        for c in table.columns
    ]
    return (
        f"{table.name}: one row is {table.grain}\nKey: {', '.join(table.key) or 'none'}\n"
        + "\n".join(rows)
    )


def _declared(folder: str, name: str) -> Iterator[str]:
    """Entries of that name in a folder of declarations, at any depth below a list's own name."""
    for top, body in load_folder(folder).items():
        if top.casefold() == name:
            yield f"{top} (schemas/{folder})\n{_plain(body)}"
        elif isinstance(body, dict):
            for key, inner in body.items():
                if str(key).casefold() == name:
                    yield f"{key} (schemas/{folder}, {top})\n{_plain(inner)}"


def _plain(body: object) -> str:
    if isinstance(body, dict):
        return "\n".join(
            f"  {key}: {value if isinstance(value, str) else json.dumps(value, default=str)}"
            for key, value in body.items()
        )
    return f"  {body}"


def setting_lines(model: BaseModel, prefix: str = "") -> Iterator[str]:
    """One line a setting: its dotted name, its value and its reason."""
    for name, info in type(model).model_fields.items():
        value = getattr(model, name)
        dotted = f"{prefix}{info.alias or name}"
        if isinstance(value, BaseModel):
            yield from setting_lines(value, f"{dotted}.")
        else:
            yield f"{dotted} = {value!r}: {info.description or 'no reason given'}"


def _plain_words(values: tuple[str, ...]) -> set[str]:
    return {value.casefold() for value in values}


def _settings(name: str) -> Iterator[str]:
    lines = list(setting_lines(Settings()))
    if name == "settings":
        yield "\n".join(lines)
    else:
        yield from (
            line
            for line in lines
            if name in {line.split(" = ")[0], line.split(" = ")[0].rpartition(".")[2]}
        )


def explain(name: str) -> str:
    """Everything declared under a name.

    Raises SchemaError with near names when there is nothing.
    """
    wanted = name.casefold()
    found = [
        _table(t)
        for t in registry().tables.values()
        if wanted in {t.name, t.name.partition("_")[2]}
    ]
    found += [
        _field(f)
        for f in registry().fields.values()
        if wanted in {f.name, f.name.removesuffix("_utc")}
    ]
    found += [
        f"{wanted}: a value of {f.name}\n{_field(f)}"
        for f in registry().fields.values()
        if wanted in _plain_words(f.values)
    ]
    found += [explain_rule(rule) for rule in rules() if rule.casefold() == wanted]
    found += [*_declared("codes", wanted), *_declared("signatures", wanted), *_settings(wanted)]
    if inputs := explained(wanted):
        found.insert(0, inputs)
    if not found:
        known = [*registry().tables, *registry().fields, *load_folder("codes"), *rules()]
        near = difflib.get_close_matches(wanted, known, n=4, cutoff=0.4)
        raise SchemaError(
            f"nothing is declared under {name!r}",
            next_step=f"perhaps {', '.join(near)}" if near else "try a table's name",
        )
    return "\n\n".join(found)

"""A declaration with a fault is refused when it is read: file, key and what was expected."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.core.errors import SchemaError
from pipeline.registry import files, load_folder, registry

RULE = """
too_hot: {family: energy, severity: note, acts: site operator, source: practice, clause: "none",
  meaning: "m", records: attempt, needs: [energy_kwh], scope: "true", problem: "false", detail: "''"}
"""
FIELD = 'air_c: {type: float, unit: C, meaning: "Air", source: delivery}\n'
TABLE = "raw_air: {grain: one reading, key: [air_c], columns: air_c}\n"
SOURCES = 'delivery: {title: "A delivery", seen: "decided here"}\n'


@pytest.fixture
def schemas(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A small folder of declarations in place of ours."""
    for folder, text in (("rules", RULE), ("fields", FIELD), ("tables", TABLE)):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "one.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "sources.yaml").write_text(SOURCES, encoding="utf-8")
    monkeypatch.setattr(files, "SCHEMAS", tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    ("folder", "old", "new", "told"),
    [
        ("rules", "needs: [energy_kwh], ", "", "too_hot.needs is missing"),
        ("rules", "needs: [energy_kwh]", "needs: energy_kwh", "too_hot.needs"),
        ("rules", "severity: note", "severty: note", "did you mean severity?"),
        ("rules", "severity: note", "severity: loud", "'reject', 'distrust' or 'note'"),
        ("rules", 'scope: "true"', "scope: 1", "too_hot.scope: Input should be a valid string"),
        ("fields", "type: float", "type: number", "air_c.type"),
        ("fields", "unit: C", "units: C", "did you mean unit?"),
        ("tables", "key: [air_c]", "key: air_c", "raw_air.key"),
        ("tables", "grain: one reading, ", "", "raw_air.grain is missing"),
    ],
    ids=lambda value: value if isinstance(value, str) and value.isalpha() else "",
)
def test_a_typo_names_file_key_and_what_is_allowed(
    schemas: Path, folder: str, old: str, new: str, told: str
) -> None:
    """No KeyError and no silence: the message holds the file, the key and what was expected."""
    path = schemas / folder / "one.yaml"
    load_folder(folder)  # as it stands it is good
    path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    with pytest.raises(SchemaError) as refused:
        load_folder(folder)
    assert told in str(refused.value)
    assert f"schemas/{folder}/one.yaml" in str(refused.value)


@pytest.mark.parametrize(
    ("folder", "old", "new", "told"),
    [
        ("tables", "columns: air_c", "columns: air_c wind_s", "undeclared field 'wind_s'"),
        ("tables", "key: [air_c]", "key: [wind]", "its key names 'wind'"),
        ("tables", "columns: air_c", "columns: air_c air_c", "'air_c' stands twice"),
        ("fields", "source: delivery", "source: hearsay", "source 'hearsay'"),
    ],
    ids=["unknown column", "unknown key", "a column twice", "unknown source"],
)
def test_what_is_named_exists(schemas: Path, folder: str, old: str, new: str, told: str) -> None:
    """A table of undeclared columns, a key that is no column or an unknown source is refused."""
    path = schemas / folder / "one.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    with pytest.raises(SchemaError, match=told):
        registry.__wrapped__()


@pytest.mark.parametrize(
    "text", [FIELD + FIELD, "air_c: {type: float, type: int}", "- a\n", "a: ["]
)
def test_a_key_written_twice_or_a_file_that_is_no_mapping_is_refused(
    schemas: Path, text: str
) -> None:
    """YAML would keep the last of two without a word."""
    (schemas / "fields" / "one.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(SchemaError, match=r"twice|mapping|not a declaration file"):
        load_folder("fields")


@pytest.mark.parametrize(
    "folder", ["fields", "tables", "rules", "views", "signatures", "codes", "moves"]
)
def test_every_declaration_of_ours_has_its_shape(folder: str) -> None:
    """The declarations that ship are read without a fault."""
    assert load_folder(folder)

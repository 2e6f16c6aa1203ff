"""The case book of session exports: each says the same sessions, to the last line."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from export_shapes import EXPORTS, OSLO, Charged, Export, sessions

from pipeline.ingest import ingest_delivery
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import query, writing

START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
READ = "SELECT evse_id, id_token, plugged_at_utc, unplugged_at_utc, energy_kwh, stop_reason, fault FROM raw_session ORDER BY line"


def told(one: Charged) -> tuple[object, ...]:
    """A session as raw_session has it."""
    return (
        one.evse_id,
        one.id_token,
        one.plugged,
        one.unplugged,
        one.energy_wh / 1000,
        one.reason,
        one.fault,
    )


def read(folder: Path) -> tuple[list[tuple[object, ...]], dict[str, object], list[tuple[int, str]]]:
    """Sessions, the account of the export, and rejected lines with their reasons."""
    with writing(folder / "w.duckdb") as con:
        files = ingest_delivery(con, folder / "d", IngestSettings()).files
        account = next(row for row in files.to_dicts() if row["file"] == "site.csv")
        away = query(con, "SELECT line, reject_reason FROM raw_rejected ORDER BY line").rows()
        return query(con, READ).rows(), account, away


def put(folder: Path, text: bytes, entry: str) -> None:
    """A delivery of an export and its mapping."""
    (folder / "d").mkdir()
    (folder / "d" / "site.csv").write_bytes(text)
    (folder / "d" / "mapping.yaml").write_text(
        f"exports:\n  - file: site.csv\n    {entry}\n", encoding="utf-8"
    )


@pytest.mark.parametrize("one", EXPORTS, ids=lambda e: e.name)
def test_an_export_says_its_sessions(one: Export, tmp_path: Path) -> None:
    """Sessions in a shape are read by its entry: EVSE, card, both instants, energy, reason and fault; every line counted."""
    meant = sessions(START)
    text = one.render(meant)
    put(tmp_path, text.encode(one.encoding), one.entry)
    made, account, away = read(tmp_path)
    assert made[: len(meant)] == [told(s) for s in meant]
    total = text.replace("\r\n", "\n").count("\n")
    assert [(total + 1 - line, True) for line, _ in away] == [(n, True) for n, _ in one.rejected]
    assert all(part in reason for (_, reason), (_, part) in zip(away, one.rejected, strict=True))
    assert (account["lines"], account["rejected"], account["used"]) == (
        total,
        len(away),
        total - len(away),
    )


def test_the_case_book_is_wide_enough() -> None:
    """At least twelve shapes."""
    assert len(EXPORTS) >= 12


def test_a_date_that_may_be_two_is_refused(tmp_path: Path) -> None:
    """Where a file's dates can be read two ways and nothing in it tells which, the rows are refused, with both readings; a date
    that is the same both ways stands.
    """
    entry = (
        "columns: {evse_id: Bay, plugged_at: From}\n    timezone: UTC\n"
        '    time_format: ["%d.%m.%y %H:%M", "%m.%d.%y %H:%M"]'
    )
    put(tmp_path, b"Bay,From\nB1,01.02.03 10:00\nB1,04.04.03 10:00\n", entry)
    made, account, away = read(tmp_path)
    assert [row[2] for row in made] == [datetime(2003, 4, 4, 10, tzinfo=UTC)]
    assert account["rejected"] == 1
    assert "2003-01-02 10:00:00 or 2003-02-01 10:00:00" in away[0][1]


def test_a_word_in_a_list_is_no_column_and_a_misspelt_column_is_told(tmp_path: Path) -> None:
    """A list joins columns and words; a word that all but is a column of the file is taken for a mistake and told."""
    entry = "columns: {evse_id: [Sation, '-', Plug], plugged_at: From}\n    timezone: UTC"
    put(tmp_path, b"Station,Plug,From\nS,1,2026-03-02T10:00:00Z\n", entry)
    made, account, _ = read(tmp_path)
    assert made == []
    assert "'Sation'" in str(account["message"])


def test_zones_are_places(tmp_path: Path) -> None:
    """A zone that means the machine it runs on, as `localtime`, is told as an error of its entry."""
    put(
        tmp_path,
        b"Bay,From\nB1,2026-03-02 10:00\n",
        "columns: {evse_id: Bay, plugged_at: From}\n    timezone: localtime",
    )
    _, account, _ = read(tmp_path)
    assert account["turned_away"]
    assert "mapping.yaml" in str(account["message"]) or "no mapping" in str(account["message"])
    assert OSLO

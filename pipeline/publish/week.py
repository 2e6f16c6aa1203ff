"""Publishing a week.

Its tables, `run.json`, the pages and the referrals' packs, all in one swap.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.side_by_side import side_by_side
from pipeline.ingest.file_accounts import tell
from pipeline.publish.addresses import SHEET, pack_folder
from pipeline.publish.evse_sheet import SHEETS, evse_sheets
from pipeline.publish.sheet import sheet_pdf
from pipeline.publish.week_folder import ACCOUNTS, MORE, complete_or_absent, write_tables
from pipeline.publish.week_report import WeekReport
from pipeline.refer.pack.model import Evidence
from pipeline.refer.referral import Referral
from pipeline.registry import conform, registry
from pipeline.storage.warehouse import Connection, query, replace, seeing, transaction

CHECKS = {"rules": "rule_results", "firmware": "rule_rates", "equipment": "equipment"}
"""Frames of the validation summary that the pages show, and the names they have in the folder."""


def publish_week(
    con: Connection,
    out: Path,
    report: WeekReport,
    about: Mapping[str, Any],
    pages: Callable[[Path], None],
) -> tuple[Path, dict[str, pl.DataFrame], dict[str, Any]]:
    """Write `<out>/<week>/`, complete or absent, and the same tables into the warehouse.

    Parameters
    ----------
    con
        The warehouse.
    out
        Where the weeks' folders go.
    report
        The week's tables and packs.
    about
        What run.json holds beside week and counts; its `inputs` name the files whose rejected lines
        are shown.
    pages
        Called with the folder when all but the pages stands in it.

    Returns
    -------
    tuple
        The folder, the tables by name, and run.json as written.

    Raises
    ------
    StoreError
        The folder cannot be written.

    """
    tables = {
        **report.tables,
        "rejected": rejected_of(con, [row["sha256"] for row in about["inputs"]]),
    }
    run = {
        **about,
        "week": report.week,
        "counts": counts(con, tables),
        "learning": learning(report.referral),
        "unknown_words": unknown_words(con),
    }
    folder = out / report.week
    accounts = with_earlier(run["inputs"], folder)
    with complete_or_absent(folder) as partial:
        write_tables(partial, tables, run)
        (partial / MORE / ACCOUNTS).write_text(json.dumps(accounts, indent=1), encoding="utf-8")
        write_packs(partial / "referrals", report.referral.packs)
        for evse_id, pdf in evse_sheets(tables, report.week):
            place = partial / SHEETS / pack_folder(evse_id)
            place.mkdir(parents=True)
            (place / SHEET).write_bytes(pdf)
        for name, shown_as in CHECKS.items():
            report.validation[name].write_parquet(partial / MORE / f"{shown_as}.parquet")
        pages(partial)
    with transaction(con):
        for name, frame in tables.items():
            replace(con, f"out_{name}", frame)
        tell(con)
    return folder, tables, run


def with_earlier(inputs: list[dict[str, Any]], folder: Path) -> list[dict[str, Any]]:
    """The accounts of every file that runs of this week were given, the newest of each file.

    So three lines handed in later never stand for the whole week. `folder`: the week's, from before.
    """
    kept = folder / MORE / ACCOUNTS
    earlier = json.loads(kept.read_text(encoding="utf-8")) if kept.is_file() else []
    now = {(row["file"], row["sha256"]) for row in inputs}
    return [*inputs, *(row for row in earlier if (row["file"], row["sha256"]) not in now)]


def write_packs(folder: Path, packs: Mapping[str, Evidence]) -> None:
    """All referrals, each in a folder of its own."""

    def write(named: tuple[str, Evidence]) -> None:
        write_pack(folder / pack_folder(named[0]), named[1])

    for _ in side_by_side(write, packs.items()):
        pass


def write_pack(folder: Path, pack: Evidence) -> None:
    """One referral: `evidence.json` and the printable sheet; its page is made from the former."""
    folder.mkdir(parents=True)
    plain = json.dumps(meant_digits(pack.model_dump(mode="json")), indent=1, ensure_ascii=False)
    (folder / "evidence.json").write_text(plain + "\n", encoding="utf-8")
    (folder / SHEET).write_bytes(sheet_pdf(pack))


def meant_digits(value: Any) -> Any:
    """Plain data, numbers to nine digits.

    The last ones of a sum depend on the process, and a week told again must not.
    """
    if isinstance(value, float):
        return float(f"{value:.9g}")
    if isinstance(value, dict):
        return {key: meant_digits(inner) for key, inner in value.items()}
    return [meant_digits(inner) for inner in value] if isinstance(value, list) else value


def learning(referral: Referral) -> dict[str, Any]:
    """What findings changed (each table's share before and after), and how often past referrals
    were right, by quarter.
    """
    return {
        "findings_taught": referral.learning.to_dicts(),
        "referrals_right": referral.precision.to_dicts(),
    }


def unknown_words(con: Connection) -> list[dict[str, Any]]:
    """Words of the sources that no code list has, for the operator to map, the most frequent first."""
    rows = query(
        con, "SELECT list_name, word, occurrences FROM core_word WHERE code_state = 'unknown'"
    )
    return rows.sort("occurrences", "word", descending=[True, False]).to_dicts()


def rejected_of(con: Connection, file_ids: list[str]) -> pl.DataFrame:
    """out_rejected: the lines not used of these files, whenever they were read."""
    with seeing(con, _files=pl.DataFrame({"file_id": file_ids}, schema={"file_id": pl.String})):
        rows = query(
            con,
            "SELECT file, line, byte_offset, reject_reason AS reason, text FROM raw_rejected SEMI JOIN _files USING (file_id)",
        )
    return conform(rows.sort("file", "line", "reason"), "out_rejected")


def counts(con: Connection, tables: Mapping[str, pl.DataFrame]) -> dict[str, Any]:
    """Rows of every table of the warehouse that deliveries fill and of the week, and the calls."""
    kept_by_runs = "meta_published_file"  # it would tell a week's first run from its second
    names = [
        name
        for name in registry().tables
        if name.startswith(("raw_", "core_")) and not name.startswith(kept_by_runs)
    ]
    sizes = con.execute(
        " UNION ALL ".join(f"SELECT '{name}', count(*) FROM {name}" for name in names)
    ).fetchall()
    rows = dict(sorted(sizes)) | {f"out_{name}": table.height for name, table in tables.items()}
    calls = {
        name: dict(tables[name]["call"].value_counts().sort("call").iter_rows())
        for name in ("vehicles", "evses", "pairings")
    }
    return {"rows": rows, "calls": calls}

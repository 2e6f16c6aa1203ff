"""What warehouse and lake have of each other: held by both, lists put there, stations taken back, every file accounted for."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.errors import StoreError
from pipeline.ingest.file_accounts import file_accounts
from pipeline.ingest.report import FILES_SCHEMA
from pipeline.normalise import stage
from pipeline.normalise.incremental import attempt_rebuild
from pipeline.normalise.sessions import fleet
from pipeline.normalise.signals import codes
from pipeline.orchestrate import fingerprint
from pipeline.orchestrate.cluster.build import LISTS
from pipeline.orchestrate.cluster.cut import Cut
from pipeline.orchestrate.run import Request, traced
from pipeline.registry import polars_schema
from pipeline.storage.lake import CORE, RAW, Lake
from pipeline.storage.warehouse import Connection, append, insert, replace, transaction


def unknown(con: Connection, cuts: list[Cut]) -> list[Cut]:
    """The cuts whose content the warehouse does not hold, each content once, in order."""
    rows = con.execute(
        "SELECT file_id FROM raw_file UNION SELECT content_sha256 FROM raw_file"
    ).fetchall()
    known = {content for (content,) in rows}
    new: list[Cut] = []
    for one in cuts:
        if not known & {one.sha256, one.content_sha256}:
            new.append(one)
            known |= {one.sha256, one.content_sha256}
    return new


def check_lake(con: Connection, lake: Lake) -> None:
    """Raise StoreError when the warehouse holds frames or pilot rows that are not in the lake."""
    held = {
        file_id
        for (file_id,) in con.execute(
            "SELECT file_id FROM raw_file WHERE kind IN ('frames', 'pilot')"
        ).fetchall()
    }
    if missing := held - lake.bucket(0).get("accounts", {}).keys():
        what = f"{len(missing)} files of this warehouse were read without this lake"
        raise StoreError(
            what,
            where=lake.url,
            next_step="begin a new warehouse with this lake, or run without --cluster",
        )


def put_lists(con: Connection, lake: Lake) -> str:
    """Put what stations need of the fleet's lists into the lake, under a name by their content.

    Gives that folder.
    """
    fleet.update(con)
    name = f"lists/{fingerprint.of_tables(con, ['core_evse', 'raw_session'])[:20]}"
    for table, asked in LISTS.items():
        lake.put_table(f"{name}/{table}.parquet", con.sql(asked).to_arrow_table())
    return name


def take_back(
    con: Connection, lake: Lake, notes: list[dict[str, Any]], new: list[Cut], request: Request
) -> None:
    """Put the lake's tables in the place of the warehouse's, note the new files, and make attempts.

    All or nothing.
    """
    rows = _accounts(notes, new)
    settings = request.settings.normalise
    with transaction(con):
        append(con, "raw_file", rows)
        con.execute(
            "DELETE FROM raw_rejected USING raw_file f WHERE raw_rejected.file_id = f.file_id AND f.kind IN ('frames', 'pilot')"
        )
        for table in (*RAW, *CORE):
            if table != "raw_rejected":
                con.execute(f'DELETE FROM "{table}"')
            for name in lake.paths(table, notes):
                insert(con, table, lake.table(name))
        with traced("normalise: attempts"):
            attempt_rebuild.attempts_of(con, None, settings)
        con.execute("DELETE FROM meta_normalised_file")
        replace(
            con,
            "core_word",
            stage.words(con, codes.site_words(settings.codes_file), stage.EVERY_FILE),
        )
        con.execute("INSERT INTO meta_normalised_file SELECT file_id FROM raw_file")
        con.execute("DELETE FROM raw_changed")
    for one in new:
        lake.forget(f"cuts/{one.sha256}")


def _accounts(notes: list[dict[str, Any]], new: list[Cut]) -> pl.DataFrame:
    """raw_file rows of new files, their counts summed over the buckets, as if read one after the
    other from now on.
    """
    now = datetime.now(UTC)
    rows: list[dict[str, Any]] = []
    for place, one in enumerate(new):
        parts = [note["accounts"][one.sha256] for note in notes]
        used, rejected, duplicates = (sum(part[i] for part in parts) for i in range(3))
        rows.append(
            {
                "file_id": one.sha256, "file": one.file, "kind": one.kind, "file_bytes": one.file_bytes,
                "content_sha256": one.content_sha256, "lines": used + rejected + duplicates, "used": used,
                "rejected": rejected, "duplicates": duplicates, "unknown_columns": list(one.unknown_columns),
                "ingested_at_utc": now + timedelta(microseconds=place),
            }
        )  # fmt: skip
    return pl.DataFrame(rows, schema=polars_schema("raw_file"))


def accounts_of(
    con: Connection, small: list[pl.DataFrame], cuts: list[tuple[Path, Path, Cut]], request: Request
) -> list[dict[str, Any]]:
    """The account of every delivered file, by delivery and name, as the ingest step gives it."""
    held = {
        row[0]: row[1:]
        for row in con.execute("SELECT content_sha256, kind, lines, file FROM raw_file").fetchall()
    }
    whole = []
    for delivery, read_here in zip(request.deliveries, small, strict=True):
        rows: list[dict[str, Any]] = []
        for of, _, one in cuts:
            if of == delivery:
                kind, lines, first = held[one.content_sha256]
                told = {
                    "file": one.file,
                    "file_id": one.sha256,
                    "kind": kind,
                    "lines": lines,
                    "duplicates": lines,
                }
                none = {
                    "used": 0,
                    "rejected": 0,
                    "chatter": 0,
                    "unknown_columns": [],
                    "turned_away": False,
                }
                rows.append(
                    told | none | {"known_as": first, "earlier_run": True, "looks_like": kind}
                )
        repeats = pl.DataFrame(rows, schema=FILES_SCHEMA)
        whole.append(pl.concat([read_here, repeats]).sort("file"))
    account = file_accounts(con, pl.concat(whole))
    return [dict(row) for row in account.rename({"file_id": "sha256"}).to_dicts()]

"""OCPP-J frames, a block at a time: text → one parse → typed rows, repeats left out, answers paired with their calls."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

import polars as pl
import pyarrow as pa

from pipeline.ingest.frame_sql import events_insert, frames_insert, samples_insert, staged_query
from pipeline.ingest.lines import Block, good_and_bad
from pipeline.ingest.rejects import reject
from pipeline.ingest.report import Account
from pipeline.settings.ingest import IngestSettings
from pipeline.warehouse import Connection, query

_REPEATED = """
    SELECT s.line FROM _staged s SEMI JOIN raw_frame h ON s.frame_key = h.frame_key WHERE s.reject_reason IS NULL
    UNION
    SELECT s.line
    FROM _staged s
    JOIN (SELECT frame_key, min(line) AS first_line FROM _staged WHERE reject_reason IS NULL
          GROUP BY frame_key HAVING count(*) > 1) twice USING (frame_key)
    WHERE s.reject_reason IS NULL AND s.line > first_line
"""

# Ids come back into use, so of several calls the one nearest in the receiver's time is answered.
_PAIRED = """
    SELECT a.line, arg_min(c.action, abs(epoch(a.receiver_at_utc) - epoch(c.receiver_at_utc))) AS action
    FROM _staged a
    JOIN _staged c ON a.station_id = c.station_id AND a.message_id = c.message_id
        AND a.direction <> c.direction
    WHERE a.message_type > 2 AND c.message_type = 2 AND a.reject_reason IS NULL AND c.reject_reason IS NULL
    GROUP BY a.line
"""

# Answers whose call stands in another block or file, before or after.
_PAIRED_ACROSS = """
    UPDATE raw_frame SET action = found.action
    FROM (
        SELECT a.file_id, a.line, arg_min(c.action, abs(epoch(a.receiver_at_utc) - epoch(c.receiver_at_utc))) AS action
        FROM raw_frame a
        JOIN raw_frame c ON a.station_id = c.station_id AND a.message_id = c.message_id AND a.direction <> c.direction
        WHERE a.action IS NULL AND a.receiver_at_utc BETWEEN $since AND $until
            AND c.message_type = 2 AND c.receiver_at_utc BETWEEN $since AND $until
        GROUP BY a.file_id, a.line
    ) found
    WHERE raw_frame.file_id = found.file_id AND raw_frame.line = found.line
        AND raw_frame.action IS NULL AND raw_frame.receiver_at_utc BETWEEN $since AND $until
"""

_TOUCHED = """
    SELECT station_id, min(receiver_at_utc) AS from_utc, max(receiver_at_utc) AS to_utc
    FROM _staged WHERE reject_reason IS NULL AND line NOT IN (SELECT line FROM _repeated) GROUP BY 1
"""

_TEMPORARY = ("_staged", "_repeated", "_paired")


def read_frames(con: Connection, file_id: str, file: str, blocks: Iterator[Block], settings: IngestSettings) -> Iterator[Account]:
    """Carry a file of frames into raw_frame, raw_sample, raw_event and raw_rejected; yields the account after each block."""
    account = Account()
    for block in blocks:
        good, bad = good_and_bad(block, settings)
        rejected = reject(con, file_id, file, bad)
        account = account.plus(rejected=rejected)
        account = _block(con, file_id, file, good, account)
        yield account
    for name in _TEMPORARY:
        con.execute(f"DROP TABLE IF EXISTS {name}")


def pair_across(con: Connection, account: Account, settings: IngestSettings) -> None:
    """Give answers their action where the call stands in another block or file, as far apart as the settings allow."""
    if not account.touched:
        return
    window = timedelta(hours=settings.pair_window_hours)
    spans = pl.concat(account.touched)
    since, until = spans["from_utc"].min(), spans["to_utc"].max()
    if isinstance(since, datetime) and isinstance(until, datetime):
        con.execute(_PAIRED_ACROSS, {"since": since - window, "until": until + window})


def _block(con: Connection, file_id: str, file: str, lines: pa.Table, account: Account) -> Account:
    con.register("_lines", lines)
    for name, select in zip(_TEMPORARY, (staged_query(), _REPEATED, _PAIRED), strict=True):
        con.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS {select}")
    rejected = reject(con, file_id, file, query(con, _REJECTED))
    con.unregister("_lines")
    for insert in (frames_insert(), samples_insert(), events_insert()):
        con.execute(insert, [file_id])
    duplicates: int = con.execute("SELECT count(*) FROM _repeated").fetchall()[0][0]
    touched = query(con, _TOUCHED)
    grown = account.plus(used=lines.num_rows - rejected - duplicates, rejected=rejected, duplicates=duplicates)
    return Account(**{**vars(grown), "touched": (*account.touched, touched)})


_REJECTED = """
    SELECT l.line, l.byte_offset, s.reject_reason, l.text
    FROM _staged s JOIN _lines l ON s.line = l.line WHERE s.reject_reason IS NOT NULL
"""

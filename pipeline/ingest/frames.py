"""OCPP-J frames, a block at a time.

Text → one parse → typed rows, repeats left out, answers paired with their calls.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import closing
from datetime import datetime
from functools import partial

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.core.line_numbers import ANSWER_STEP
from pipeline.ingest.frame_inserts import events_insert, frames_insert, samples_insert
from pipeline.ingest.frame_marks import (
    NO_CALLS,
    REUSE_S,
    actions,
    left_out,
    pairs,
    repeated,
    rows_of,
    touched,
    unanswered,
)
from pipeline.ingest.frame_typing import holds_any, typed, versioned, with_rest
from pipeline.ingest.lines import Integers
from pipeline.ingest.read_ahead import made_ahead
from pipeline.ingest.sink import Sink
from pipeline.ocpp.pairing import ANSWERS_SQL, EARLY, NEAREST_SQL, WITHIN
from pipeline.storage.warehouse import RowGroups

# Frame keys of these frames that stand in the warehouse. The few are hashed, the many read through.
_KNOWN = "SELECT DISTINCT frame_key FROM raw_frame SEMI JOIN _staged USING (frame_key)"

# Of two copies the one received first counts, whichever was found first: the kept row takes its
# time of receipt. Copies without a time of their own are taken for the same frame only this near
# each other (see `frame_marks.REUSE_S`).
_SOONER = f"""
    SELECT h.file_id, h.line, h.station_id, min(s.receiver_at_utc) AS from_utc, h.receiver_at_utc AS to_utc
    FROM _staged s
    JOIN (FROM raw_frame WHERE receiver_at_utc > $since) h ON h.frame_key = s.frame_key AND h.receiver_at_utc > s.receiver_at_utc
    WHERE NOT list_contains(coalesce(h.unzoned, []) || coalesce(s.unzoned, []), 'receiver_at_utc')
        AND (coalesce(h.station_at_utc, h.central_at_utc) IS NOT NULL
             OR epoch(h.receiver_at_utc) - epoch(s.receiver_at_utc) < {REUSE_S})
    GROUP BY ALL
"""
_SOONER_OF = ["frame_key", "receiver_at_utc", "unzoned"]
_RECEIVED = """
    UPDATE {table} AS t SET receiver_at_utc = s.from_utc FROM _sooner s
    WHERE t.file_id = s.file_id AND t.line = s.line AND t.receiver_at_utc > $since
"""
_CHANGED = (
    "INSERT INTO raw_changed SELECT station_id, min(from_utc), max(to_utc) FROM _sooner GROUP BY 1"
)

# Answers whose call stands in another block or file, before or after: few, so they are found first
# and the rest is looked up.
_UNPAIRED = """
    SELECT file_id, line, station_id, message_id, direction, receiver_at_utc
    FROM raw_frame WHERE action IS NULL AND message_type > 2 AND receiver_at_utc BETWEEN $since AND $until
"""
_PAIRED_ACROSS = f"""
    SELECT a.file_id, a.line,
        arg_max(c.action, {{{NEAREST_SQL}, 'file': c.file_id, 'line': -c.line}}) AS action
    FROM raw_frame c
    JOIN _unpaired a ON {ANSWERS_SQL}
    WHERE c.message_type = 2 AND c.receiver_at_utc BETWEEN $since AND $until
    GROUP BY a.file_id, a.line
"""
_GIVE_ACTION = """
    UPDATE raw_frame SET action = f.action
    FROM _found f
    WHERE raw_frame.file_id = f.file_id AND raw_frame.line = f.line AND raw_frame.receiver_at_utc BETWEEN $since AND $until
"""


def read_frames(sink: Sink, parts: Iterable[tuple[pa.Table, pl.DataFrame]]) -> Iterator[None]:
    """Carry good and bad lines (`good_and_bad`), part by part, into raw_frame, raw_sample, raw_event
    and raw_rejected; comes back after each part.

    Good lines are `line, byte_offset, text`; where a site's own log is read, `text` is its line, `envelope` the frame as our
    envelope has it, and `lines` the numbers of all lines that the frame stands on (null: one).

    Lines of different stations do not meet: those of some stations alone give what these have in
    the whole.
    """
    done, left = list[pa.Table](), list[pa.Table]()
    open_calls, before = NO_CALLS, len(sink.touched)
    with (
        sink.beside() as typing,
        closing(made_ahead(partial(typed, typing), _good(sink, parts))) as made,
    ):
        for quick, rest in made:
            done.append(quick)
            left.append(rest)
            if sum(one.nbytes for one in (*done, *left)) > sink.settings.typed_bytes:
                open_calls = _put(sink, with_rest(sink, done, left), open_calls)
                done, left = [], []
            yield
    if done:
        _put(sink, with_rest(sink, done, left), open_calls)
    _pair_across(sink, sink.touched[before:])


def _good(sink: Sink, parts: Iterable[tuple[pa.Table, pl.DataFrame]]) -> Iterator[pa.Table]:
    """The good lines of each part; the bad ones are rejected."""
    for good, bad in parts:
        sink.reject(bad)
        yield good


def _pair_across(sink: Sink, touched: list[pl.DataFrame]) -> None:
    """Give answers their action where the call stands in another block or file."""
    if not touched:
        return
    spans = pl.concat(touched)
    since, until = spans["from_utc"].min(), spans["to_utc"].max()
    if isinstance(since, datetime) and isinstance(until, datetime):
        span = {"since": since - WITHIN, "until": until + EARLY}
        unpaired = sink.table(_UNPAIRED, span)
        if not unpaired.num_rows:
            return
        with sink.seeing(_unpaired=unpaired):
            found = sink.table(_PAIRED_ACROSS, span)
        if found.num_rows:
            with sink.seeing(_found=found):
                sink.con.execute(_GIVE_ACTION, span)


def _put(sink: Sink, staged: pa.Table, open_calls: pl.DataFrame) -> pl.DataFrame:
    """Typed lines of some parts at once; gives the calls that are not answered yet.

    DuckDB packs what is inserted by many rows in all threads, by few in one.
    """
    staged = versioned(staged)
    rows = rows_of(staged)
    with sink.seeing(_staged=staged.select(["frame_key"])):
        again = repeated(rows, sink.frame(_KNOWN)["frame_key"])
    paired = pairs(rows, open_calls)
    out = left_out(rows, again, paired)
    place = staged.column_names.index("action")
    told = staged.set_column(place, "action", actions(rows, paired).to_arrow())
    with sink.seeing(_staged=RowGroups(told.append_column("left_out", pa.array(out)))):
        for column, insert in (
            ("line", frames_insert),
            ("meter_list", samples_insert),
            ("event_list", events_insert),
        ):
            if holds_any(staged, column):
                sink.con.execute(insert(), [list(sink.file_ids)])
    if out.any():
        _received_sooner(sink, staged.select(_SOONER_OF).filter(pa.array(out)))
    line, span = rows["line"].to_numpy(), _spans(staged)
    sink.count("used", line[~again], span[~again])
    sink.count("duplicates", line[again], span[again])
    sink.touched.append(touched(rows, again))
    return unanswered(rows, paired)


def _spans(staged: pa.Table) -> Integers:
    """How many lines of its file each typed frame stands on."""
    if "lines" not in staged.column_names:
        return np.ones(staged.num_rows, np.int64)
    on = pc.fill_null(pc.list_value_length(staged["lines"]), 1).to_numpy()
    alone: Integers = np.where(staged["line"].to_numpy() & ANSWER_STEP, 0, on)
    return alone


def _received_sooner(sink: Sink, repeats: pa.Table) -> None:
    """Give kept rows the time of receipt of a repeat that was received before them."""
    span = {"since": pc.min(repeats["receiver_at_utc"]).as_py()}
    with sink.seeing(_staged=repeats):
        sooner = sink.table(_SOONER, span)
    if sooner.num_rows:
        with sink.seeing(_sooner=sooner):
            for table in ("raw_frame", "raw_sample", "raw_event"):
                sink.con.execute(_RECEIVED.format(table=table), span)
            sink.con.execute(_CHANGED)

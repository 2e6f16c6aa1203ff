"""Looks that change nothing: what a file is and how it would be read; whether a delivery is good; lists to begin with."""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import polars as pl

from pipeline.core.errors import DeliveryError
from pipeline.doorway.guess import Guess, guess_entry
from pipeline.doorway.kinds import headers
from pipeline.doorway.mapping import Delivered, Mapping, Mappings, parse
from pipeline.doorway.recognise import HEAD_BYTES, Recognised, recognise
from pipeline.ingest import ingest_delivery
from pipeline.ingest.source import Source
from pipeline.ingest.turned_away import check_lists, in_words, rejected_reasons, turned_away
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import Connection, append, query, reading, writing

# Frames or sessions shown of a file.
SHOWN = 6
# Bytes of a file that are read for a look.
LOOKED_AT = 1 << 20
MAPPING = "mapping.yaml"
_FRAMES = """
    SELECT strftime(receiver_at_utc, '%Y-%m-%d %H:%M:%SZ') AS at_utc, station_id, direction, action, connector_id, status,
        id_token
    FROM raw_frame ORDER BY line LIMIT 6
"""
_SESSIONS = """
    SELECT evse_id, coalesce(id_token, vehicle_id) AS who, strftime(plugged_at_utc, '%Y-%m-%d %H:%M:%SZ') AS plugged_utc,
        strftime(unplugged_at_utc, '%Y-%m-%d %H:%M:%SZ') AS unplugged_utc, energy_kwh, end_reason_raw, fault_raw
    FROM raw_session ORDER BY line LIMIT 6
"""
_SEEN_EVSES = """
    SELECT station_id || '-' || connector_id AS evse_id, station_id, connector_id,
        any_value(station_model) FILTER (station_model IS NOT NULL) AS evse_model
    FROM (SELECT f.station_id, f.connector_id, m.station_model FROM raw_frame f
          LEFT JOIN (SELECT station_id, arg_max(station_model, receiver_at_utc) AS station_model FROM raw_frame
                     WHERE station_model IS NOT NULL GROUP BY 1) m USING (station_id)
          UNION ALL SELECT station_id, connector_id, NULL FROM raw_pilot)
    WHERE connector_id > 0 GROUP BY ALL
    UNION ALL
    SELECT DISTINCT evse_id, NULL, NULL, NULL FROM raw_session
    ORDER BY 1
"""
_SEEN_TOKENS = """
    SELECT id_token, min(at_utc) AS first_utc FROM (
        SELECT id_token, receiver_at_utc AS at_utc FROM raw_frame UNION ALL SELECT id_token, plugged_at_utc FROM raw_session)
    WHERE coalesce(id_token, '') <> '' GROUP BY 1 ORDER BY 1
"""


@dataclass(frozen=True)
class Preview:
    """A file as it would be read: what it is, its first records, the mapping that reads it, and what is missing."""

    file: str
    what: str
    records: pl.DataFrame
    mapping: str | None
    missing: tuple[str, ...]
    account: dict[str, Any]
    reasons: tuple[dict[str, Any], ...]

    @property
    def readable(self) -> bool:
        """Whether anything of it would be used."""
        return bool(self.account.get("used")) and not self.account.get("turned_away")


@contextmanager
def passing_store(known: Path | None = None) -> Iterator[Connection]:
    """An empty warehouse that is gone afterwards; it knows the mappings of another, if that is there."""
    with TemporaryDirectory(prefix="whichside-") as place, writing(Path(place) / "w.duckdb") as con:
        if known is not None and known.is_file():
            with reading(known) as earlier:
                for table in ("raw_mapping", "raw_file"):
                    where = "" if table == "raw_mapping" else " WHERE kind = 'mapping'"
                    append(con, table, query(earlier, f"SELECT * FROM {table}{where}"))
        yield con


def preview(path: Path, settings: IngestSettings) -> Preview:
    """What a file is and how it would be read, by the mapping beside it or else by a guess. Raises DeliveryError where there is
    none to read; writes nothing.
    """
    if not path.is_file():
        raise DeliveryError("there is no such file", where=str(path), next_step="name a file")
    source = Source(path, settings)
    head = source.head(LOOKED_AT)
    what = recognise(head[:HEAD_BYTES])
    given = _given(path)
    guess: Guess | None = None
    mapping = given
    if what.kind != "mapping" and (what.message is not None or what.doubtful) and given is None:
        text, encoding = _text(head)
        guess = guess_entry(path.name, text, encoding)
        mapping = guess.mapping if guess else None
    return _read(path, head, settings, what, mapping, guess)


def _given(path: Path) -> str | None:
    """The text of a mapping beside the file that covers it."""
    for beside in sorted([*path.parent.glob("*.yaml"), *path.parent.glob("*.yml")]):
        if not beside.is_file():  # a pipe would be waited for without end
            continue
        text = beside.read_text(encoding="utf-8", errors="replace")
        mapping = parse(text)
        if isinstance(mapping, Mapping):
            found = Mappings([Delivered(beside.name, "", mapping, None)]).covering(path.name)
            if found is not None:
                return text
    return None


def _text(head: bytes) -> tuple[str, str]:
    """The beginning of a file as text, and its encoding as far as its first bytes tell."""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return head[: len(head) // 2 * 2].decode("utf-16", "replace"), "utf-16"
    for name, zeros in (("utf-16-le", head[1:400:2]), ("utf-16-be", head[0:400:2])):
        if zeros and zeros.count(0) * 10 >= len(zeros) * 9:
            return head[: len(head) // 2 * 2].decode(name, "replace"), name
    cut = head[: head.rfind(b"\n") + 1] or head
    try:
        return cut.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError:
        return cut.decode("cp1252", "replace"), "cp1252"


def _read(
    path: Path, head: bytes, settings: IngestSettings, what: Recognised, mapping: str | None, guess: Guess | None
) -> Preview:  # fmt: skip
    with TemporaryDirectory(prefix="whichside-") as place, passing_store() as con:
        folder = Path(place)
        name = path.name.removesuffix(".gz").removesuffix(".zst")
        whole = len(head) < LOOKED_AT
        (folder / name).write_bytes(head if whole else head[: head.rfind(b"\n") + 1])
        if mapping is not None:
            (folder / MAPPING).write_text(mapping, encoding="utf-8")
        files = ingest_delivery(con, folder, settings).files
        inputs = files.rename({"file_id": "sha256"}).to_dicts()
        account = next(row for row in inputs if row["file"] == name)
        frames, sessions = query(con, _FRAMES), query(con, _SESSIONS)
        reasons = rejected_reasons(con, [account])
    told = guess.shape if guess else _kind(account["kind"], what)
    missing = guess.missing if guess else ()
    records = frames if frames.height else sessions
    return Preview(path.name, told, records, mapping, missing, account, tuple(reasons))


def _kind(kind: str, what: Recognised) -> str:
    names = {
        "frames": "OCPP frames",
        "sessions": "finished sessions, by the mapping beside it",
        "mapping": "a mapping file",
    }
    if kind in names:
        return names[kind]
    return f"a table of {kind}" if what.message is None else "nothing that is known"


def preview_words(one: Preview) -> str:
    """A preview for the screen."""
    a = one.account
    counted = (
        f"{a['lines']:,} lines looked at: {a['used']:,} used ({a['chatter'] or 0:,} of them hold no frame), "
        f"{a['rejected']:,} rejected, {a['duplicates']:,} repeated"
    )
    words = [f"{one.file}: {one.what}\n{counted}"]
    if a.get("turned_away") and a["message"]:
        words.append(f"Not read: {a['message']}")
    if one.records.height:
        with pl.Config(
            tbl_formatting="ASCII_MARKDOWN", tbl_hide_dataframe_shape=True, tbl_hide_column_data_types=True, tbl_cols=-1,
            tbl_width_chars=200, fmt_str_lengths=40,
        ):  # fmt: skip
            words.append(f"The first of it, as it would be read:\n{one.records}")
    if one.reasons:
        listed = "\n".join(
            f"  {r['lines']:,} × {r['reason']} (first: line {r['first_line']})" for r in one.reasons
        )
        words.append(f"Rejected:\n{listed}")
    if one.mapping:
        words.append(f"The mapping that reads it ({MAPPING}, beside it):\n\n{one.mapping.rstrip()}")
    if one.missing:
        words.append(
            "Still to be said by you:\n" + "\n".join(f"  - {what}" for what in one.missing)
        )
    return "\n\n".join(words)


@dataclass(frozen=True)
class Checked:
    """What a delivery would come to: accounts, what is turned away, reasons of rejected lines, and the missing list, if any."""

    inputs: list[dict[str, Any]]
    away: list[dict[str, Any]]
    reasons: list[dict[str, Any]]
    unlisted: list[str]
    no_list: DeliveryError | None


def check(deliveries: Sequence[Path], store: Path | None, settings: IngestSettings) -> Checked:
    """Read deliveries as a run would, into a store that is gone afterwards; the lists of the warehouse count as at hand."""
    with passing_store(store) as con:
        inputs = [
            row
            for delivery in deliveries
            for row in ingest_delivery(con, delivery, settings)
            .files.rename({"file_id": "sha256"})
            .to_dicts()
        ]
        if store is not None and store.is_file():
            with reading(store) as earlier:
                for table in ("raw_vehicle", "raw_token", "raw_evse"):
                    append(con, table, query(earlier, f"SELECT * FROM {table}"))
        unlisted = query(
            con,
            "SELECT DISTINCT station_id FROM raw_frame WHERE station_id NOT IN (SELECT station_id FROM raw_evse) ORDER BY 1",
        ).to_series().to_list()  # fmt: skip
        no_list = None
        try:
            check_lists(con, inputs)
        except DeliveryError as error:
            no_list = error
        return Checked(
            inputs, turned_away(inputs), rejected_reasons(con, inputs), unlisted, no_list
        )


def check_words(one: Checked) -> str:
    """What a check found, for the screen."""
    total = {
        k: sum(row[k] or 0 for row in one.inputs)
        for k in ("lines", "used", "rejected", "duplicates", "chatter")
    }
    counted = (
        f"{len(one.inputs)} files, {total['lines']:,} lines: {total['used']:,} used ({total['chatter']:,} without a frame), "
        f"{total['rejected']:,} rejected, {total['duplicates']:,} repeated. Nothing was kept."
    )
    words = [counted]
    if one.away:
        words.append(
            f"NOT USED: {len(one.away)} of the files and mapping entries:\n{in_words(one.away)}"
        )
    if one.reasons:
        listed = "\n".join(
            f"  {r['file']}: {r['lines']:,} × {r['reason']} (first: line {r['first_line']})"
            for r in one.reasons
        )
        words.append(f"Lines rejected, by file and reason:\n{listed}")
    if one.unlisted:
        shown = ", ".join(one.unlisted[:12]) + (
            f" and {len(one.unlisted) - 12} more" if len(one.unlisted) > 12 else ""
        )
        words.append(
            f"Stations in the logs that no list of EVSEs names: {shown}. `whichside skeletons` writes a list to fill in."
        )
    return "\n\n".join(words)


def skeletons(deliveries: Sequence[Path], folder: Path, settings: IngestSettings) -> list[Path]:
    """Lists of the EVSEs and tokens that logs and exports name, as CSV to fill in; what is there already is not overwritten.

    Raises DeliveryError where a list would be overwritten, or nothing is seen.
    """
    with passing_store() as con:
        for delivery in deliveries:
            if delivery.is_file():
                with TemporaryDirectory(prefix="whichside-") as place:
                    shutil.copy(delivery, place)
                    for beside in delivery.parent.glob("*.y*ml"):
                        shutil.copy(beside, place)
                    ingest_delivery(con, Path(place), settings)
            else:
                ingest_delivery(con, delivery, settings)
        evses, tokens = query(con, _SEEN_EVSES), query(con, _SEEN_TOKENS)
    if evses.is_empty() and tokens.is_empty():
        raise DeliveryError(
            "no EVSE and no token is seen", next_step="`whichside preview` of a log shows why"
        )
    made = {
        "evses.csv": _csv("evses", evses.rename({"evse_model": "evse_model"}).to_dicts()),
        "tokens.csv": _csv("tokens", [{"id_token": row["id_token"]} for row in tokens.to_dicts()]),
        "vehicles.csv": _csv("vehicles", []),
    }
    there = [folder / name for name in made if (folder / name).exists()]
    if there:
        raise DeliveryError(
            "a list is there already",
            where=str(there[0]),
            next_step="name another folder with --dir",
        )
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in made.items():
        (folder / name).write_text(text, encoding="utf-8")
    return [folder / name for name in made]


def _csv(kind: str, rows: Sequence[dict[str, Any]]) -> str:
    """A list of a kind with what is known of each row; the rest is blank, to be filled in."""
    names = [c.name for c in headers()[kind].columns]
    file = io.StringIO()
    writer = csv.DictWriter(file, names, restval="", extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows([{k: v for k, v in row.items() if v is not None} for row in rows])
    return file.getvalue()

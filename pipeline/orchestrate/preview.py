"""What a file is and how it would be read: a look that changes nothing."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import polars as pl

from pipeline.core.errors import DeliveryError
from pipeline.doorway.guess import Guess, guess_entry
from pipeline.doorway.mapping import Delivered, Mapping, Mappings, parse
from pipeline.doorway.recognise import HEAD_BYTES, Recognised, recognise
from pipeline.ingest import ingest_delivery
from pipeline.ingest.source import Source
from pipeline.ingest.turned_away import rejected_reasons
from pipeline.orchestrate.passing_store import passing_store
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import query

# Frames or sessions shown of a file.
SHOWN = 6
# Bytes of a file that are read for a look.
LOOKED_AT = 1 << 20
MAPPING = "mapping.yaml"
_FRAMES = f"""
    SELECT strftime(receiver_at_utc, '%Y-%m-%d %H:%M:%SZ') AS at_utc, station_id, direction, action, connector_id, status,
        id_token
    FROM raw_frame ORDER BY line LIMIT {SHOWN}
"""
_SESSIONS = f"""
    SELECT evse_id, coalesce(id_token, vehicle_id) AS who, strftime(plugged_at_utc, '%Y-%m-%d %H:%M:%SZ') AS plugged_utc,
        strftime(unplugged_at_utc, '%Y-%m-%d %H:%M:%SZ') AS unplugged_utc, energy_kwh, end_reason_raw, fault_raw
    FROM raw_session ORDER BY line LIMIT {SHOWN}
"""
_AHEAD = """
    SELECT median(date_diff('second', receiver_at_utc, station_at_utc)) FROM raw_frame
    WHERE direction = 'in' AND station_at_utc IS NOT NULL
"""
# Zones differ by quarters of an hour; a clock that is off by less is for the clocks' own step.
_ZONE_S = 900


@dataclass(frozen=True)
class Preview:
    """A file as it would be read: what it is, its first records, the mapping that reads it, and what is missing."""

    file: str
    what: str
    records: pl.DataFrame
    mapping: str | None
    guessed: bool
    missing: tuple[str, ...]
    account: dict[str, Any]
    reasons: tuple[dict[str, Any], ...]

    @property
    def readable(self) -> bool:
        """Whether anything of it would be used."""
        return bool(self.account.get("used")) and not self.account.get("turned_away")


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
        [(ahead_s,)] = con.execute(_AHEAD).fetchall()
    told = guess.shape if guess else _kind(account["kind"], what)
    missing = (*(guess.missing if guess else ()), *_zone_words(ahead_s))
    records = frames if frames.height else sessions
    return Preview(
        path.name, told, records, mapping, guess is not None, missing, account, tuple(reasons)
    )


def _zone_words(ahead_s: float | None) -> tuple[str, ...]:
    """What to look at where the times inside the frames are a zone's difference from those of their lines."""
    quarters = round((ahead_s or 0.0) / _ZONE_S)
    if not quarters:
        return ()
    hours, minutes = divmod(abs(quarters) * 15, 60)
    way = "ahead of" if quarters > 0 else "behind"
    found = (
        f"the stations' times inside the frames are {hours} h {minutes:02d} min {way} the lines'"
    )
    return (f"timezone: {found}; see that it names the zone the lines are written in",)


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
        where = (
            f"put it beside the file as {MAPPING}" if one.guessed else "it stands beside the file"
        )
        words.append(f"The mapping that reads it; {where}:\n\n{one.mapping.rstrip()}")
    if one.missing:
        words.append(
            "Still to be said by you:\n" + "\n".join(f"  - {what}" for what in one.missing)
        )
    return "\n\n".join(words)

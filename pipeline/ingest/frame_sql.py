"""The statement that types a block of frames.

Built once from the declared paths.
"""

from __future__ import annotations

from functools import cache

from pipeline.core.line_numbers import FILE_STEP
from pipeline.ingest.frame_fields import EXPONENT, by_paths, by_shape
from pipeline.ingest.frame_paths import REQUIRED
from pipeline.ingest.sql import quoted, real, truth, unzoned, utc, whole
from pipeline.registry import registry

_IS_CALL, _IS_ANSWER, _IS_ERROR = ("kind = '2'", "kind = '3'", "kind = '4'")
_STATION_TIME = "coalesce(timestamp, meter_first, generated)"

# The receiver's clock as seconds or milliseconds since 1970, which some logs have in place of ISO 8601.
_EPOCH = (
    r"(received NOT LIKE '____-%' AND regexp_full_match(received, '(\d{9,10}|\d{12,13})(\.\d+)?'))"
)
_FROM_EPOCH = (
    "make_timestamptz(CAST(round(CAST(received AS DOUBLE)"
    " * CASE WHEN CAST(received AS DOUBLE) > 1e11 THEN 1e3 ELSE 1e6 END) AS BIGINT))"
)
# An envelope may write the version as a subprotocol's name (ocpp1.6, 1.6J), or leave it to the frame to tell.
_IN_201 = "third IN ('TransactionEvent', 'NotifyEvent') OR coalesce(status201, model201, tag201, evse, evse_inner) IS NOT NULL"
_IN_16 = "coalesce(connector, tag16, model16, status16, meter_stop) IS NOT NULL AND kind = '2'"
_VERSION = rf"""CASE WHEN version_text IN ('1.6', '2.0.1') THEN version_text
    WHEN coalesce(version_text, '') = '' THEN CASE WHEN {_IN_201} THEN '2.0.1' WHEN {_IN_16} THEN '1.6' END
    WHEN regexp_full_match(lower(version_text), '(ocpp)?[ _-]?v?1\.6[ -]?(j|json)?') THEN '1.6'
    WHEN regexp_full_match(lower(version_text), '(ocpp)?[ _-]?v?2\.0\.1[ -]?(j|json)?') THEN '2.0.1' END"""


def _list(text: str) -> str:
    """A list's text; null where it is none, be it the text of a JSON string that only begins like one."""
    return f"CASE WHEN {text} LIKE '[%' AND json_valid({text}) THEN {text} END"


# raw_frame column → expression over the extracted texts
_TYPED = {
    "receiver_at_utc": f"coalesce({utc('received')}, CASE WHEN {_EPOCH} THEN {_FROM_EPOCH} END)",
    "message_type": "TRY_CAST(kind AS BIGINT)",
    "action": f"CASE WHEN {_IS_CALL} THEN third END",
    "station_at_utc": utc(_STATION_TIME),
    "connector_id": whole(
        "CASE version WHEN '2.0.1' THEN coalesce(evse, evse_inner) ELSE connector END"
    ),
    "status": "coalesce(status16, status201, answer_status)",
    "error_code": f"CASE WHEN {_IS_ERROR} THEN third ELSE error END",
    "info": f"CASE WHEN {_IS_ERROR} THEN fourth ELSE info16 END",
    "vendor_id": "vendor",
    "vendor_error_code": "vendor_error",
    "id_token": "coalesce(tag16, tag201)",
    "id_token_status": f"coalesce(tag_status16, tag_status201, CASE WHEN {_IS_ANSWER} THEN NULL END)",
    "transaction_id": "coalesce(transaction16, transaction201, answer_transaction)",
    "meter_wh": real("coalesce(meter_start, meter_stop)"),
    "stop_reason": "CASE WHEN third = 'StopTransaction' THEN reason ELSE stopped201 END",
    "central_at_utc": utc("current_time"),
    "firmware": "coalesce(firmware16, firmware201)",
    "station_model": "coalesce(model16, model201)",
    "station_vendor": "coalesce(maker16, maker201)",
    "event_type": "event",
    "trigger_reason": "trigger",
    "seq_no": whole("seq"),
    "charging_state": "charging",
    "offline": truth("offline_text"),
    # a hash of what makes a repeat; shifted to fit a signed 64-bit column
    "frame_key": "CAST(hash(station_id, direction, kind, message_id, third, fourth) >> 1 AS BIGINT)",
    # station, file, direction and message id as one number (see `frame_marks`)
    "marked_id": f"CAST(hash(station_id, message_id, line // {FILE_STEP}) >> 2 AS BIGINT) * 2 + CASE direction WHEN 'in' THEN 1 ELSE 0 END",
    "meter_list": _list("coalesce(meter, meter_stop_data)"),
    "event_list": _list("events"),
}
# Fields that are read as whole numbers.
_WHOLE = ("connector", "evse", "evse_inner", "seq")
_AS_THEY_ARE = ("station_id", "direction", "version", "message_id")
STAGED = (*_AS_THEY_ARE, *_TYPED, "unzoned")
"""Columns of a typed line beside `line` (and `lines`, where it is mapped)."""


def _zoneless() -> str:
    """List of the time columns written without an offset.

    Null where there is none, which is the rule.
    """
    times = {
        "receiver_at_utc": "received",
        "station_at_utc": _STATION_TIME,
        "central_at_utc": "current_time",
    }
    flags = {column: unzoned(text) for column, text in times.items()}
    flags["receiver_at_utc"] = f"({flags['receiver_at_utc']}) AND NOT {_EPOCH}"
    named = ", ".join(f"CASE WHEN {flag} THEN '{column}' END" for column, flag in flags.items())
    return f"CASE WHEN {' OR '.join(f'({f})' for f in flags.values())} THEN list_filter([{named}], lambda c: c IS NOT NULL) END"


def _missing() -> str:
    """What a message of a known action lacks or misstates, as text; null where it is whole."""
    branches = []
    for (version, action), needs in REQUIRED.items():
        if not needs:
            continue
        lacks = ", ".join(
            f"CASE WHEN {column} IS NULL THEN '{name}' END" for name, column in needs.items()
        )
        branches.append(
            f"WHEN version = '{version}' AND action = '{action}' THEN nullif(concat_ws(', ', {lacks}), '')"
        )
    return f"CASE {' '.join(branches)} END"


def _complete() -> str:
    """Whether a message of a known action has all that `_missing` asks for."""
    versions = []
    for told in dict.fromkeys(version for version, _ in REQUIRED):
        of_action = " ".join(
            f"WHEN '{action}' THEN {' AND '.join(f'({column}) IS NOT NULL' for column in needs.values())}"
            for (version, action), needs in REQUIRED.items()
            if version == told and needs
        )
        versions.append(f"WHEN '{told}' THEN CASE third {of_action} ELSE true END")
    return f"CASE version {' '.join(versions)} ELSE true END"


def _doubt() -> str:
    """As `_reason` of a line that was taken apart by its shape: null only where both are sure to be
    null. Why else it is not, all paths tell.
    """
    columns = registry().table("raw_frame").columns
    texts = [c.name for c in columns if c.field.sql == "VARCHAR" and c.name in _TYPED]
    numbers = " OR ".join(
        f"regexp_matches({name}, {quoted(EXPONENT)})" for name in (*texts, *_WHOLE)
    )
    return f"""CASE WHEN settled AND receiver_at_utc IS NOT NULL
            AND station_id <> '' AND NOT starts_with(station_id, '{{') AND NOT starts_with(station_id, '[')
            AND direction IN ('in', 'out') AND (version IS NOT NULL OR coalesce(version_text, '') = '')
            AND message_id <> '' AND third IS NOT NULL AND NOT coalesce({numbers}, false)
            AND (NOT {_IS_CALL} OR {_complete()})
        THEN NULL ELSE 'not sure' END"""


def _reason() -> str:
    """Why a line is not used; null where it is."""
    return f"""CASE
        WHEN not_json THEN 'not a JSON value'
        WHEN received IS NULL THEN 'the envelope has no `at`'
        WHEN receiver_at_utc IS NULL THEN concat('the envelope''s `at` is no ISO 8601 time: ', left(received, 80))
        WHEN coalesce(station_id, '') = '' THEN 'the envelope has no `station_id`'
        WHEN starts_with(station_id, '{{') OR starts_with(station_id, '[') THEN '`station_id` is not a text'
        WHEN direction IS NULL OR direction NOT IN ('in', 'out') THEN '`dir` is neither in nor out'
        WHEN version IS NULL AND coalesce(version_text, '') <> '' THEN concat('`version` is not read: ', left(version_text, 80))
        WHEN kind IS NULL THEN {quoted(NO_ARRAY)}
        WHEN NOT ({_IS_CALL} OR {_IS_ANSWER} OR {_IS_ERROR}) THEN concat('no such message type: ', left(kind, 80))
        WHEN coalesce(message_id, '') = '' THEN 'the frame has no message id'
        WHEN third IS NULL THEN 'the frame is cut off after its message id'
        WHEN {_IS_CALL} AND (fourth IS NULL OR NOT starts_with(fourth, '{{')) THEN 'the payload is not an object'
        WHEN {_IS_ANSWER} AND NOT starts_with(third, '{{') THEN 'the payload is not an object'
        WHEN {_IS_CALL} THEN action || ' lacks or misstates ' || ({_missing()})
    END"""


@cache
def staged_query(column: str = "text", *, mapped: bool = False, quick: bool = False) -> str:
    """SELECT over `_lines` (line, byte_offset, text): one row a line, typed, `reject_reason` where
    it is not used.

    `column` holds the envelope; `mapped` lines have `lines` too. The `quick` way leaves lines out and gives others a reason that
    is none (see `frame_fields`); what it gives no reason for is as the other way has it.
    """
    typed = ", ".join(f"{expression} AS {name}" for name, expression in _TYPED.items())
    place = "line, lines" if mapped else "line"
    kept = ", ".join(STAGED)
    fields = by_shape(column, place) if quick else by_paths(column, place)
    return f"""
        SELECT {place}, {kept}, {_doubt() if quick else _reason()} AS reject_reason
        FROM (SELECT *, {typed}, {_zoneless()} AS unzoned
              FROM (SELECT *, {_VERSION} AS version FROM ({fields})))"""


NO_ARRAY = "`frame` is no array of a frame's parts"
# A frame that stands in the envelope as a JSON text, unfolded; null where it holds no array.
UNFOLDED = """
    SELECT line, byte_offset, text,
        concat('{"at":', e[1], ',"station_id":', e[2], ',"dir":', e[3], ',"version":',
               coalesce(e[4], 'null'), ',"frame":', inner_frame, '}')
            AS envelope
    FROM (SELECT *, json_extract(text, ['$.at', '$.station_id', '$.dir', '$.version']) AS e,
              json_extract_string(text, '$.frame') AS inner_frame
          FROM _lines WHERE json_valid(text))
    WHERE ltrim(inner_frame) LIKE '[%' AND json_valid(inner_frame) AND e[1] IS NOT NULL AND e[2] IS NOT NULL AND e[3] IS NOT NULL
"""

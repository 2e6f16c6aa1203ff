"""The Monday list: vehicles to send to the workshop, what to tell each driver, as page, CSV and calendar."""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime
from typing import Any

import polars as pl

from dashboards.driver import notes, short_notes
from dashboards.language import Language
from dashboards.page_data import PageData
from dashboards.reader import Reader
from pipeline.core.weeks import week_end
from pipeline.publish.week_folder import harmless

COLUMNS = ("vehicle", "plate", "site", "suspect", "since", "tell", "appointment")


def due(data: PageData) -> tuple[pl.DataFrame, bool]:
    """The week's vehicles to send, and whether people accepted them.

    Those whose last decision of this week is `accept`; where nobody has accepted any, those the
    week refers and nobody decided against.
    """
    said = data.decisions.filter(pl.col("week") == data.week).sort("decided_at")
    last = said.group_by("vehicle_id").agg(pl.col("decision").last())
    accepted = last.filter(pl.col("decision") == "accept")
    if accepted.height:
        return data.vehicles.join(accepted, on="vehicle_id", how="semi"), True
    against = last.filter(pl.col("decision").is_in(["hold", "dismiss"]))
    proposed = data.vehicles.filter(pl.col("call") == "refer")
    return proposed.join(against, on="vehicle_id", how="anti"), False


def usual_sites(data: PageData) -> dict[str, str]:
    """vehicle_id → the site where it plugged in most."""
    met = data.attempts.drop_nulls("vehicle_id").group_by("vehicle_id", "site_id").len()
    top = met.sort("len", "site_id", descending=[True, False]).unique("vehicle_id", keep="first")
    return dict(top.select("vehicle_id", "site_id").rows())


def rows(t: Language, data: PageData) -> list[dict[str, Any]]:
    """The list's rows in words, by vehicle."""
    sites, tell = usual_sites(data), short_notes(t, data)
    vehicles = due(data)[0].join(data.about_vehicles, on="vehicle_id", how="left")
    return [
        {
            "vehicle": row["vehicle_id"],
            "plate": row["plate"],
            "site": sites.get(row["vehicle_id"]),
            "suspect": t.of("part", row["suspect"]),
            "since": row["onset"],
            "tell": tell.get(row["vehicle_id"], t("monday.retry_short")),
            "appointment": "",
        }
        for row in vehicles.sort(pl.col("p_vehicle").neg(), "vehicle_id").to_dicts()
    ]


def monday_view(data: PageData, reader: Reader) -> dict[str, Any]:
    """What the Monday template needs."""
    t, listed = reader.t, rows(reader.t, data)
    accepted = due(data)[1]
    told = notes(t, data, {row["vehicle"] for row in listed})
    return {
        "title": t("monday.title"),
        "headline": t("monday.headline", n=len(listed)),
        "lead": t("monday.lead_accepted" if accepted else "monday.lead_proposed"),
        "rows": listed,
        "notes": [(row["vehicle"], row["plate"], told.get(row["vehicle"], [])) for row in listed],
        "day": t.day(monday_after(data.week)),
    }


def monday_after(week: str) -> datetime:
    """The Monday on which the week's list is acted on: its end."""
    return week_end(week)


def monday_csv(t: Language, data: PageData) -> str:
    """The list as CSV, safe to open in a spreadsheet."""
    named = {name: t(f"monday.{name}") for name in COLUMNS}
    shown = [
        {**row, "since": f"{row['since']:%Y-%m-%d}" if row["since"] else ""}
        for row in rows(t, data)
    ]
    schema = dict.fromkeys(COLUMNS, pl.String)
    safe = harmless(pl.DataFrame(shown, schema=schema))
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(named.values())
    writer.writerows(safe.rows())
    return text.getvalue()


def monday_ics(t: Language, data: PageData) -> str:
    """The list as an iCalendar file (RFC 5545): one all-day entry a vehicle on the Monday after the week."""
    day = monday_after(data.week).date()
    events = [_event(t, data.week, day, row) for row in rows(t, data)]
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//whichside//Monday list//EN",
        "CALSCALE:GREGORIAN",
    ]
    return "".join(
        _folded(line)
        for line in [*lines, *(line for event in events for line in event), "END:VCALENDAR"]
    )


def _event(t: Language, week: str, day: date, row: dict[str, Any]) -> list[str]:
    said = t("monday.event", id=row["vehicle"], part=row["suspect"])
    after = date.fromordinal(day.toordinal() + 1)
    stamp = datetime(day.year, day.month, day.day, tzinfo=UTC)
    return [
        "BEGIN:VEVENT",
        f"UID:{_plain(row['vehicle'])}-{week}@whichside",
        f"DTSTAMP:{stamp:%Y%m%dT%H%M%SZ}",
        f"DTSTART;VALUE=DATE:{day:%Y%m%d}",
        f"DTEND;VALUE=DATE:{after:%Y%m%d}",
        f"SUMMARY:{_text(said)}",
        f"LOCATION:{_text(row['site'] or '')}",
        f"DESCRIPTION:{_text(row['tell'])}",
        "END:VEVENT",
    ]


def _plain(text: str) -> str:
    return text.encode("utf-8", "surrogatepass").hex()


def _text(text: str) -> str:
    """TEXT as RFC 5545 3.3.11 escapes it; control characters are left out."""
    kept = "".join(sign for sign in text if sign >= " ")
    return kept.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")


def _folded(line: str) -> str:
    """A content line folded at 75 octets (RFC 5545 3.1), never inside a character."""
    out, size = [], 0
    for sign in line:
        width = len(sign.encode("utf-8", "replace"))
        if size + width > 75:
            out.append("\r\n ")
            size = 1
        out.append(sign)
        size += width
    return "".join(out) + "\r\n"

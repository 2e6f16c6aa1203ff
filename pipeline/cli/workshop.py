"""Commands for the workshop: a case at the bench, and the finding."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.cli import base
from pipeline.cli.base import main
from pipeline.cli.people import by as _by
from pipeline.cli.people import decisions as _decisions
from pipeline.cli.people import decisions_of, known_to
from pipeline.cli.people import force as _force

if TYPE_CHECKING:
    from pipeline.refer.bench import Assessment, Case, Reading
    from pipeline.refer.bench.declared import Step
    from pipeline.storage.decisions.bench_store import BenchStore


@main.command()
@click.argument("vehicle")
@click.option(
    "--inlet",
    "inlets",
    multiple=True,
    help="Coupler of the vehicle, like cType2; may be given again.",
)
@click.option(
    "--answer",
    "answers",
    multiple=True,
    help="KIND=ANSWER, like ac_reach=not_seen; `whichside explain reading`.",
)
@click.option(
    "--reading",
    "readings",
    multiple=True,
    help="KIND=VALUE or KIND@STATE=VALUE, like cp_low_v@B2=-8.8.",
)
@click.option(
    "--trace",
    "traces",
    multiple=True,
    help="FILE or FILE@STATE: an oscilloscope's CSV, its levels as readings.",
)
@click.option("--instrument", help="Of the readings given here, with its test current or range.")
@click.option(
    "--note", help="Of the readings given here; 'known-good' = on another vehicle, to compare."
)
@click.option("--at", help="When they were taken, local or with an offset; now if absent.")
@click.option("--withdraw", type=int, help="Number of a kept reading to take back; with --reason.")
@click.option("--reason", default="", help="Why it is taken back.")
@click.option(
    "--store",
    type=base.path_type(folder=False),
    help="Keep the readings with the decisions of this warehouse; else nothing is kept.",
)
@base.settings
@_decisions
@click.option(
    "--out",
    type=base.path_type(folder=True),
    help="Begin from what the newest week here says of the vehicle.",
)
@click.option(
    "--sheet", type=base.path_type(folder=False), help="Write the case on one A4 page (PDF)."
)
@base.as_json
@_by
def case(vehicle: str, **given: Any) -> None:
    """Weigh readings of a VEHICLE at the bench: what is most probable, what to measure next, when to stop."""
    from pipeline.refer.bench import Case, assess

    at = _moment(given["at"])
    new = [*_answers(given, at), *_readings(given, at), *_traces(given, at)]
    kept = _bench(given) if given["store"] else None
    if kept:
        if given["withdraw"] is not None:
            kept.withdraw("decision_reading", given["withdraw"], given["by"], given["reason"])
        for reading in new:
            kept.keep_reading(_row(vehicle, reading, given["inlets"]), given["by"])
    numbers, all_readings = _kept_readings(kept, vehicle, new)
    told = tuple(given["inlets"]) or tuple(
        sorted({c for r in all_readings if r.coupler for c in r.coupler.split(";")})
    )
    prior, words, known = _believed(vehicle, given["out"])
    all_readings = [*_delivered(given["store"], vehicle), *all_readings]
    numbers = [*[None] * (len(all_readings) - len(numbers)), *numbers]
    whole = Case(prior, tuple(all_readings), told or known, vehicle, words)
    result = assess(whole)
    if given["sheet"]:
        _write_sheet(given["sheet"], whole, result)
    base.say(
        json.dumps(_as_json(result), ensure_ascii=False)
        if given["as_json"]
        else _as_words(result, numbers)
    )


def _believed(vehicle: str, out: Path | None) -> tuple[dict[str, float], str, tuple[str, ...]]:
    """Prior, where it comes from, and the vehicle's couplers."""
    from dashboards.review.bench_case import believed
    from dashboards.snapshots import read_week, weeks

    found = weeks(out) if out else []
    return believed(vehicle, read_week(out, found[0]) if out and found else None)


def _moment(text: str | None) -> datetime:
    from pipeline.core.local_time import moment

    return moment(text) if text else datetime.now(UTC)


def _split(text: str) -> tuple[str, str | None, str]:
    """KIND[@STATE]=VALUE."""
    name, equals, value = text.partition("=")
    if not equals:
        raise click.BadParameter(f"{text!r} is not KIND=VALUE")
    kind, _, state = name.strip().partition("@")
    return kind, state or None, value.strip()


def _answers(given: dict[str, Any], at: datetime) -> list[Reading]:
    from pipeline.refer.bench import parse_reading

    return [parse_reading(kind, value, at=at) for kind, _, value in map(_split, given["answers"])]


def _readings(given: dict[str, Any], at: datetime) -> list[Reading]:
    from pipeline.refer.bench import parse_reading

    about = {"instrument": given["instrument"], "note": given["note"], "at": at}
    return [
        parse_reading(kind, value, state=state, **about)
        for kind, state, value in map(_split, given["readings"])
    ]


def _traces(given: dict[str, Any], at: datetime) -> list[Reading]:
    from pipeline.refer.bench.trace import trace_readings

    out: list[Reading] = []
    for text in given["traces"]:
        name, _, state = text.rpartition("@") if "@" in text else (text, "", "")
        found, said = trace_readings(
            Path(name).read_text(encoding="utf-8", errors="replace"),
            where=name,
            state=state or None,
        )
        base.say(said, err=True)
        out += [
            replace(
                r, at=at, instrument=r.instrument or "oscilloscope", note=f"from {Path(name).name}"
            )
            for r in found
        ]
    return out


def _bench(given: dict[str, Any]) -> BenchStore:
    from pipeline.storage.decisions import open_decisions
    from pipeline.storage.decisions.bench_store import bench_store

    where = decisions_of(given["store"], given["settings_file"], given["decisions"])
    return bench_store(open_decisions(where), where, given["store"])


def _row(vehicle: str, reading: Reading, inlets: tuple[str, ...]) -> dict[str, Any]:
    from pipeline.refer.bench.case import plain

    return {
        "vehicle_id": vehicle,
        "at_utc": reading.at,
        "reading": reading.kind,
        "reading_value": plain(reading),
        "pilot_state": reading.state,
        "coupler": ";".join(inlets) or None,
        "instrument": reading.instrument or None,
        "note": reading.note or None,
        "reading_spread": reading.spread or None,
    }


def _kept_readings(
    kept: BenchStore | None, vehicle: str, new: list[Reading]
) -> tuple[list[int | None], list[Reading]]:
    from pipeline.refer.bench.case import reading_of_row

    if kept is None:
        return [None] * len(new), new
    standing = [e for e in kept.entries("decision_reading", vehicle) if e.withdrawn_by is None]
    return [e.number for e in standing], [reading_of_row(e.row) for e in standing]


def _delivered(store: Path | None, vehicle: str) -> list[Reading]:
    """Readings and traces of the vehicle that deliveries brought, in order of time."""
    if store is None or not store.exists():
        return []
    from pipeline.core.errors import WhichsideError
    from pipeline.refer.bench.case import reading_of_row
    from pipeline.refer.bench.trace import trace_readings
    from pipeline.storage.warehouse import query, reading

    with reading(store) as con:
        rows = query(
            con,
            "SELECT * FROM raw_reading WHERE vehicle_id = $vehicle ORDER BY at_utc, line",
            {"vehicle": vehicle},
        ).to_dicts()
        traces = query(con, _TRACES, {"vehicle": vehicle}).to_dicts()
    out: list[Reading] = []
    for row in rows:
        try:
            out.append(reading_of_row(row))
        except WhichsideError as error:
            base.say(f"left out, line {row['line']} of a delivery: {error.what}", err=True)
    for row in traces:
        found, said = trace_readings(
            row["trace_text"], where=row["trace_file"], state=row["pilot_state"]
        )
        base.say(said, err=True)
        out += [
            replace(
                r, at=row["at_utc"], instrument="oscilloscope", note=f"from {row['trace_file']}"
            )
            for r in found
        ]
    return sorted(out, key=lambda r: r.at or datetime.now(UTC))


_TRACES = (
    "SELECT t.at_utc, t.trace_file, t.pilot_state, f.trace_text FROM raw_trace t JOIN raw_trace_file f "
    "ON f.file = t.trace_file OR f.file LIKE '%/' || t.trace_file WHERE t.vehicle_id = $vehicle ORDER BY t.at_utc"
)


def _as_json(result: Assessment) -> dict[str, Any]:
    return {
        "posterior": result.posterior,
        "finding": result.finding,
        "stop": result.stop,
        "detail": result.detail,
        "contradictions": list(result.contradictions),
        "next": [
            {
                "step": p.name,
                "question": p.question,
                "vehicle": p.stands,
                "tool": p.step.tool,
                "leads": p.step.leads,
                "state": p.step.state,
                "bits": p.bits,
                "minutes": p.minutes,
                "because": p.because,
                "expected": [{"suspect": s, "p": q, "values": v} for s, q, v in p.expected],
                "when_to_stop": p.step.when_to_stop,
            }
            for p in result.next
        ],
    }


def _as_words(result: Assessment, numbers: list[int | None]) -> str:
    from pipeline.core.wording import probability
    from pipeline.refer.bench import bench_declared
    from pipeline.refer.pack.bench_steps import CAUTIONS, DEFERENCE

    suspects = bench_declared().suspects
    lines = ["Most probable:"]
    lines += [
        f"  {probability(p):>10}  {suspects[name].part}"
        for name, p in list(result.posterior.items())[:4]
        if p >= 0.005
    ]
    lines += [f"  {result.detail}"] if result.detail else []
    lines += [f"! {line}" for line in result.contradictions]
    for number, one in zip(numbers, result.meanings, strict=True):
        lines.append(f"{f'{number}. ' if number else '- '}{one.shown}: {one.means}")
    if result.stop:
        lines.append(
            result.stop + (f" Finding to enter: {result.finding}." if result.finding else "")
        )
    elif result.next:
        step = result.next[0]
        lines += ["", f"Next: {step.question}"] + ([f"  {step.because}"] if step.because else [])
        lines += [
            f"  vehicle: {step.stands}",
            f"  with: {step.step.tool}",
            f"  leads: {step.step.leads}",
        ]
        lines += [f"  if {suspects[name].part}: {values}" for name, _, values in step.expected]
        lines += [
            f"  when to stop: {step.step.when_to_stop}",
            f"  then: {_how_to_enter(step.step)}",
            "",
            "Before anyone measures:",
            *(f"  - {c}" for c in (*CAUTIONS, *DEFERENCE)),
        ]
    return "\n".join(lines)


def _how_to_enter(step: Step) -> str:
    """The option that takes what the step finds; an answer's words are its only values."""
    from pipeline.refer.bench import bench_declared

    answer = bench_declared().answers.get(step.kind)
    if answer:
        return f"--answer {step.kind}=" + "|".join(answer.answers)
    state = f"@{step.state}" if step.state else ""
    over = " (OL where over range)" if step.kind.endswith("_ohm") else ""
    return f"--reading {step.kind}{state}=VALUE{over}"


def _write_sheet(path: Path, whole: Case, result: Assessment) -> None:
    from pipeline.refer.bench.case_sheet import case_pdf

    path.write_bytes(case_pdf(whole, result, None, datetime.now(UTC)))
    base.say(f"Open {path}", err=True)


@main.command()
@click.argument("vehicle")
@click.argument("finding")
@click.option("--at", help="When found, local or with an offset; now if absent.")
@click.option("--pp-pe-v", help="Proximity to earth, inlet unplugged, in volts.")
@click.option("--forward-ohm", help="Red on CP, black on PE; 2740, 2.74 kΩ and OL are understood.")
@click.option("--reverse-ohm", help="The same, leads exchanged.")
@click.option("--repaired-at", help="When repaired, if it was; local or with an offset.")
@click.option("--note", help="Free text.")
@click.option(
    "--corrects",
    type=int,
    help="Number of an earlier finding that this one stands in place of; with --reason.",
)
@click.option("--reason", default="", help="Why the earlier finding is corrected.")
@click.option("--sure", is_flag=True, help="Keep it although the readings say otherwise.")
@base.store
@_decisions
@_force
@_by
def finding(vehicle: str, finding: str, *, store: Path, force: bool, **given: Any) -> None:
    """Keep what the workshop found in a VEHICLE (see `whichside explain finding` for the words)."""
    from pipeline.core.errors import DecisionError
    from pipeline.refer.bench.finding import FOUND_WORDS, finding_doubts
    from pipeline.storage.decisions import open_decisions
    from pipeline.storage.decisions.entries import correct_finding

    if not force:
        known_to(store, vehicle, None)
    measured = _measured(given)
    doubts = finding_doubts(finding, measured) if finding in FOUND_WORDS else ()
    if doubts and not given["sure"]:
        raise DecisionError(
            " ".join(doubts), next_step="measure again, choose another finding, or say --sure"
        )
    over = {name: float("inf") for name, quantity in measured.items() if quantity.over_range}
    row = {
        "vehicle_id": vehicle,
        "at_utc": _moment(given["at"]),
        "finding": finding,
        "repaired_at_utc": _moment(given["repaired_at"]) if given["repaired_at"] else None,
        "note": given["note"],
        **{name: quantity.value for name, quantity in measured.items()},
        **over,
    }
    kept = open_decisions(decisions_of(store, given["settings_file"], given["decisions"]))
    if given["corrects"] is not None:
        number = correct_finding(kept, given["corrects"], row, given["by"], given["reason"])
    else:
        number = kept.finding(row, given["by"])
    kept.close()
    base.say(
        f"Kept as {number}: {vehicle} {finding}, by {given['by']}. It counts in the lists of weeks that end after it."
    )


def _measured(given: dict[str, Any]) -> dict[str, Any]:
    from pipeline.core.quantities import parse_quantity

    asked = {
        "pp_pe_v": ("pp_pe_v", "V", (-1.0, 15.0)),
        "cp_pe_forward_ohm": ("forward_ohm", "ohm", (0.0, 1e9)),
        "cp_pe_reverse_ohm": ("reverse_ohm", "ohm", (0.0, 1e9)),
    }
    return {
        name: parse_quantity(given[key], unit, bounds)
        for name, (key, unit, bounds) in asked.items()
        if given[key]
    }

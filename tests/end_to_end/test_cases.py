"""The book of worked cases (`cases/*.yaml`): each a few records, and the attempts the contract's
own words make of them.

The expectations were derived from the contract (what comes in, what goes out) and the standards it
names, each with its clause in `why` ("contract in", "contract out"; standards as given by secondary
sources), not from what the pipeline does. All cases are one delivery; each has stations, tokens and
vehicles of its own.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from jsonschema import Draft6Validator

from pipeline.ingest import ingest_delivery
from pipeline.normalise import normalise
from pipeline.orchestrate.run import Request, run_week
from pipeline.settings import Settings
from pipeline.storage.warehouse import Connection, query, read, writing
from pipeline.validate import validate
from tests.end_to_end.book import Case, load, put, write
from tests.end_to_end.shorthand import Habits, Log

BOOK = load()
WITHIN_S = 3.0  # a plug-in and its unplugging are read from several records a second or two apart
WITHIN_KWH = 0.011
SAME = [
    "outcome",
    "stage",
    "stage_seconds",
    "fault",
    "early_b",
    "energy_kwh",
    "vehicle_id",
    "plugged_at_utc",
    "source",
]
TIME = re.compile(r"20\d\d-\d\d-\d\dT\d\d:\d\d:\d\d")
CONTRACT = {
    "vehicles.csv": (
        "vehicle_id call p_vehicle p_diode suspect onset onset_lo onset_hi ac_attempts ac_failures evses_failed_at dc_attempts "
        "dc_charged early_b_failures pilot_low_v reverse_path_ohm reverse_path_lo_ohm reverse_path_hi_ohm reason"
    ),
    "evses.csv": (
        "evse_id site_id call p_evse suspect onset attempts failures vehicles_failed pilot_high_v pilot_low_v reason"
    ),
    "pairings.csv": "vehicle_model evse_model firmware call p_pairing attempts failures vehicles evses reason",
    "attempts.parquet": (
        "attempt_id evse_id vehicle_id id_token plugged_at unplugged_at supply source outcome stage stage_seconds fault "
        "energy_kwh early_b p_vehicle p_evse p_pairing p_other"
    ),
    "rejected.parquet": "file line byte_offset reason text",
    "impossible.parquet": "rule severity station_id connector_id at attempt_id detail",
    "next_tests.csv": "vehicle_id evse_id expected_bits decides reason",
}  # as the contract lists them, 'at least'
COLUMNS = {
    "kwh": "energy_kwh",
    "stage_s": "stage_seconds",
    "vehicle": "vehicle_id",
    "token": "id_token",
    "evse": "evse_id",
}


@dataclass(frozen=True)
class Made:
    """What the pipeline made of the book."""

    attempts: pl.DataFrame
    files: pl.DataFrame
    impossible: pl.DataFrame
    rejected: pl.DataFrame
    words: pl.DataFrame
    logs: dict[str, Log]


def make(cases: list[Case], folder: Path, habits: Habits = Habits()) -> Made:  # noqa: B008  # frozen
    """Write the cases, and read them as a run does."""
    logs = write(cases, folder / "delivery", habits)
    settings = Settings()
    with writing(folder / "w.duckdb") as con:
        report = ingest_delivery(con, folder / "delivery", settings.ingest)
        normalise(con, None, settings.normalise)
        validate(con, settings.validate_)
        return Made(
            read(con, "core_attempt"),
            report.files,
            read(con, "core_impossible"),
            rejected(con),
            read(con, "core_word"),
            logs,
        )


def rejected(con: Connection) -> pl.DataFrame:
    """Rejected lines, by file."""
    return query(con, "SELECT file, line, reject_reason FROM raw_rejected ORDER BY ALL")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """The whole book, run once; cases marked `alone` stop a run and have one of their own."""
    return make(
        [case for case in BOOK if "alone" not in case.told], tmp_path_factory.mktemp("book")
    )


def attempts_of(case: Case, made: Made) -> list[dict[str, Any]]:
    """A case's attempts, by time."""
    own = made.attempts.filter(
        pl.any_horizontal(pl.col("evse_id", "vehicle_id").str.starts_with(case.prefix))
    )
    return list(own.sort("plugged_at_utc", "evse_id").to_dicts())


def differences(case: Case, wanted: dict[str, Any], got: dict[str, Any]) -> Iterator[str]:
    """What an attempt has otherwise than expected. A list of values.

    The contract leaves the choice among them.
    """
    for key, value in wanted.items():
        column = COLUMNS.get(key, key)
        if key in {"plugged", "unplugged"}:
            column = f"{key}_at_utc"
            at, have = case.at(value), got[column]
            slack = float(wanted.get("within", WITHIN_S))
            same = (
                have is at
                if at is None or have is None
                else abs((have - at).total_seconds()) <= slack
            )
        elif key == "within":
            continue
        elif key == "doubt":
            column = "time_doubt"
            same = (got[column] is not None) == value
        elif key in {"kwh", "stage_s"}:
            slack = WITHIN_KWH if key == "kwh" else WITHIN_S
            among = value if isinstance(value, list) else [value]
            same = any(
                got[column] is v if None in {got[column], v} else abs(got[column] - v) <= slack
                for v in among
            )
        elif key in {"vehicle", "token", "evse"} and value is not None:
            same = got[column] == f"{case.prefix}{value}"
        else:
            same = got[column] in value if isinstance(value, list) else got[column] == value
        if not same:
            yield f"{key}: expected {value}, got {got[column]}"


def faults_of(case: Case, made: Made) -> list[str]:
    """Everything in which a case came out otherwise than the contract says."""
    got = attempts_of(case, made)
    told = [
        f"expected {len(case.told['expect'])} attempts, got {len(got)}: {[brief(g) for g in got]}"
    ]
    faults = told if len(got) != len(case.told["expect"]) else []
    for wanted, have in zip(case.told["expect"], got, strict=False):
        faults += [f"{d}   {brief(have)}" for d in differences(case, wanted, have)]
    faults += accounts(case, made) + records(case, made)
    return faults


def brief(row: dict[str, Any]) -> str:
    """An attempt on one line."""
    span = f"{row['plugged_at_utc']:%d %H:%M:%S}–" + (
        f"{row['unplugged_at_utc']:%d %H:%M:%S}" if row["unplugged_at_utc"] else "?"
    )
    keys = (
        "evse_id",
        "vehicle_id",
        "outcome",
        "stage",
        "stage_seconds",
        "fault",
        "early_b",
        "energy_kwh",
        "source",
    )
    return f"[{span} {' '.join(str(row[k]) for k in keys)}]"


def accounts(case: Case, made: Made) -> Iterator[str] | list[str]:
    """Lines rejected or found again, where the case counts them."""
    faults = []
    for name, wanted in case.told.get("accounts", {}).items():
        own = made.files.filter(pl.col("file") == case.own(name)).to_dicts()
        have = {key: own[0][key] for key in wanted} if own else None
        if have != wanted:
            faults.append(f"{name}: expected {wanted}, got {have}")
    for name, text in case.told.get("rejected", {}).items():
        reasons = made.rejected.filter(pl.col("file") == case.own(name))["reject_reason"].to_list()
        reasons += (
            made.files.filter(pl.col("file") == case.own(name))["message"].drop_nulls().to_list()
        )
        if not any(case.own(text) in reason for reason in reasons):
            faults.append(f"{name}: no reason says {text!r}: {reasons}")
    return faults


def records(case: Case, made: Made) -> list[str]:
    """Impossible records (some or none at the case's stations), and words no list knows."""
    faults = []
    own = made.impossible.filter(
        pl.col("station_id").str.starts_with(case.prefix)
        | pl.col("detail").str.contains(case.prefix)
    )
    wanted = case.told.get("impossible")
    if wanted is not None and (len(own) > 0) != (wanted == "some"):
        faults.append(
            f"impossible: expected {wanted}, got {own.select('rule', 'detail').to_dicts()}"
        )
    unknown = made.words.filter(pl.col("code_state") == "unknown")["word"].to_list()
    return faults + [
        f"the word {word!r} is not listed as unknown"
        for word in case.told.get("words", [])
        if word not in unknown
    ]


@pytest.mark.parametrize("case", [pytest.param(c, id=c.name) for c in BOOK])
def test_case(case: Case, made: Made, request: pytest.FixtureRequest, tmp_path: Path) -> None:
    """The attempts of a case are those its clause of the contract forces.

    A `known` disagreement must still disagree.
    """
    if "known" in case.told:
        request.applymarker(pytest.mark.xfail(reason=case.told["known"], strict=True))
    faults = faults_of(case, make([case], tmp_path) if "alone" in case.told else made)
    assert not faults, "\n".join([str(case.told["why"]), *faults])


def depends_on_the_clock(case: Case) -> bool:
    """A case whose own clocks, files, repeated frames or lack of messages are its point."""
    log = str(case.told.get("log", ""))
    stamped = (
        any(f" {verb} " in log for verb in ("status", "tx", "start")) and "unstamped" not in log
    )
    return (
        bool({"known", "alone", "files"} & set(case.told))
        or not stamped
        or any(word in log for word in (" clock ", "rx=", "again="))
    )


@pytest.mark.parametrize(
    "habits",
    [
        pytest.param(Habits(ahead_s=3600), id="an hour ahead"),
        pytest.param(Habits(ahead_s=-3 * 86400 - 17), id="three days behind"),
        pytest.param(Habits(whole_seconds=True), id="whole seconds"),
        pytest.param(Habits(newest_first=True), id="newest first"),
        pytest.param(Habits(form="offset"), id="with an offset"),
        pytest.param(Habits(form="local"), id="local time"),
        pytest.param(Habits(form="nanoseconds", ahead_s=-40), id="nanoseconds, behind"),
    ],
)
def test_habits_of_stations_change_nothing(habits: Habits, tmp_path: Path) -> None:
    """The attempts are the same whatever the clock shows, in whatever form of ISO 8601, in whatever
    order frames are kept.

    Contract: a time without an offset is in the site's timezone, the station's clock is to be
    corrected, frames come out of order. Plug-ins to within a second more.
    """
    cases = [
        Case(case.number, looser(case.told)) for case in BOOK if not depends_on_the_clock(case)
    ]
    assert len(cases) > 100
    made = make(cases, tmp_path, habits)
    faults = {case.name: faults_of(case, made) for case in cases}
    assert {name: told for name, told in faults.items() if told} == {}


def looser(told: dict[str, Any]) -> dict[str, Any]:
    """A case without its counts, its times a second looser."""
    expect = [e | {"within": float(e.get("within", WITHIN_S)) + 1} for e in told["expect"]]
    return {key: value for key, value in told.items() if key not in {"accounts", "impossible"}} | {
        "expect": expect
    }


PART = "2026-03-10T08:20:00"


def parted(delivery: Path, folder: Path) -> list[Path]:
    """A delivery as two.

    What its rows say was by PART and what came after, the mappings in both, the lists in the later.
    """
    early, late = folder / "early", folder / "late"
    for path in sorted(p for p in delivery.rglob("*") if p.is_file()):
        name = path.relative_to(delivery).as_posix()
        if path.suffix == ".jsonl" or name.startswith(("pilot/all", "telematics/all")):
            rows = path.read_text(encoding="utf-8").splitlines(keepends=True)
            head = rows[:1] if path.suffix == ".csv" else []
            told = [(row, TIME.search(row)) for row in rows[len(head) :]]
            put(
                early / name,
                "".join([*head, *(row for row, at in told if at is None or at[0] < PART)]),
            )
            put(
                late / name,
                "".join([*head, *(row for row, at in told if at is not None and at[0] >= PART)]),
            )
        else:
            shutil.copyfile(path, placed(late / name))
            if path.suffix == ".yaml":
                shutil.copyfile(path, placed(early / name))
    return [early, late]


def placed(path: Path) -> Path:
    """A path with the folders above it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    return path


@pytest.mark.parametrize("order", [(0, 1), (1, 0)], ids=["in order", "the later first"])
def test_delivered_in_parts_is_the_same(order: tuple[int, int], tmp_path: Path) -> None:
    """Sessions cut in two by the delivery, whichever comes first, end as if all had come at once;
    again, nothing is used twice.

    Contract: files in any number, in any order, again and again. Cases with frames found again are
    left out: which of two copies was received first is told only when both are there.
    """
    cases = [
        case
        for case in BOOK
        if not {"alone", "known"} & set(case.told) and "again=" not in str(case.told.get("log"))
    ]
    settings = Settings()
    write(cases, tmp_path / "delivery")
    parts = parted(tmp_path / "delivery", tmp_path)
    made = []
    for name, deliveries in (
        ("whole", [tmp_path / "delivery"]),
        ("parts", [parts[i] for i in order]),
    ):
        with writing(tmp_path / f"{name}.duckdb") as con:
            for delivery in deliveries:
                report = ingest_delivery(con, delivery, settings.ingest)
                normalise(con, report.touched, settings.normalise)
            again = ingest_delivery(con, deliveries[-1], settings.ingest).files
            assert again["used"].sum() == 0
            made.append(
                {
                    row["attempt_id"]: {k: row[k] for k in SAME}
                    for row in read(con, "core_attempt").to_dicts()
                }
            )
    assert len(made[0]) > 150
    assert {
        key for key in made[0].keys() | made[1].keys() if made[0].get(key) != made[1].get(key)
    } == set()


def test_every_frame_of_the_book_is_valid(made: Made) -> None:
    """The frames written out agree with the JSON schemas of OCPP 1.6 and 2.0.1 (published.

    Bundled by the `ocpp` package).
    """
    for version, action, is_result, payload in {
        json.dumps(c): c for log in made.logs.values() for c in log.calls
    }.values():
        name = action + ("Response" if is_result else ("" if version == "1.6" else "Request"))
        folder = "v16" if version == "1.6" else "v201"
        schema = json.loads(
            (files("ocpp") / folder / "schemas" / f"{name}.json").read_text(encoding="utf-8-sig")
        )
        schema.pop("$id", None)
        Draft6Validator(schema).validate(payload)


def test_every_file_of_the_book_balances(made: Made) -> None:
    """`lines = used + rejected + duplicates` for each file (contract, run.json), and each rejected
    line has its row.
    """
    book = made.files
    assert (book["lines"] == book["used"] + book["rejected"] + book["duplicates"]).all()
    assert len(made.rejected) == book["rejected"].sum()


def test_the_week_of_the_book(tmp_path: Path) -> None:
    """The week's folder holds the contract's files and columns; a failed attempt's p_* sum to 1,
    others have none.

    The ids begin with `=1+`: a CSV cell that begins with `=`, `+`, `-`, `@` or a tab is made
    harmless, parquet keeps the id.
    """
    wanted = {
        "fault at once, vendor code of the published recommendation",
        "plain success",
        "pilot, diode fault in B2",
    }
    cases = [
        Case(case.number, case.told | {"prefix": f"=1+{case.number}"})
        for case in BOOK
        if case.name in wanted
    ]
    write(cases, tmp_path / "delivery")
    result = run_week(
        Request(
            (tmp_path / "delivery",),
            tmp_path / "w.duckdb",
            tmp_path / "out",
            "2026-W11",
            Settings(),
        )
    )
    for name, columns in CONTRACT.items():
        path = result.folder / name
        table = (
            pl.read_csv(path, infer_schema=False)
            if name.endswith(".csv")
            else pl.read_parquet(path)
        )
        assert set(columns.split()) <= set(table.columns), name
        if name.endswith(".csv"):
            texts = [
                str(cell)
                for row in table.rows()
                for cell in row
                if cell is not None and not number(cell)
            ]
            assert [t for t in texts if t.startswith(("=", "+", "-", "@", "\t"))] == []
    made = pl.read_parquet(result.folder / "attempts.parquet")
    assert sorted(made["outcome"]) == ["charged", "failed", "failed"]
    assert made["evse_id"].str.starts_with("=1+").all()
    blame = made.select(
        "outcome",
        total=pl.sum_horizontal("p_vehicle", "p_evse", "p_pairing", "p_other"),
        p="p_vehicle",
    )
    assert blame.filter(pl.col("outcome") == "failed")["total"].to_list() == pytest.approx(
        [1.0, 1.0]
    )
    assert blame.filter(pl.col("outcome") != "failed")["p"].to_list() == [None]
    assert (result.folder / "run.json").is_file()


def number(cell: str) -> bool:
    """A cell that holds a number."""
    try:
        float(cell)
    except ValueError:
        return False
    return True


ALONE = [case for case in BOOK if not {"alone", "known"} & set(case.told)][::30]


@pytest.mark.parametrize("case", [pytest.param(c, id=c.name) for c in ALONE])
def test_a_case_alone_is_as_among_the_others(case: Case, made: Made, tmp_path: Path) -> None:
    """What a station's records become does not hang on other stations, vehicles and tokens in the
    delivery.
    """
    alone = attempts_of(case, make([case], tmp_path))
    among = attempts_of(case, made)
    assert [{k: a[k] for k in SAME} for a in alone] == [{k: a[k] for k in SAME} for a in among]

"""An invented week of results for the pages' tests.

A bad car, a bad EVSE, a bad pairing, all by a seed.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from dashboards.page_data import PageData
from dashboards.review.people import Person, save_person
from dashboards.snapshots import CHECKS, MORE_TABLES
from dashboards.written import write_week_pages
from pipeline.publish.addresses import pack_folder
from pipeline.publish.week_folder import CSV_TABLES, MORE, PARQUET_TABLES, write_tables
from pipeline.refer.pack.model import Evidence
from pipeline.registry import conform, empty

PASSWORD = "a long enough word"  # noqa: S105 - of an invented person
WEEK = "2026-W14"
END = datetime(2026, 4, 6, tzinfo=UTC)
MODELS = ("Larch 3", "Alder Van", "Hazel City")
KINDS = (("Brook 11", "2.4"), ("Brook 11", "2.5"), ("Ridge 22", "7.1"))


def _attempts(
    vehicles: int, evses: int, per_vehicle: int, sites: int, rng: np.random.Generator
) -> pl.DataFrame:
    n = vehicles * per_vehicle
    v = np.repeat(np.arange(vehicles), per_vehicle)
    home = v % sites
    site = np.where(rng.random(n) < 0.9, home, rng.integers(0, sites, n))
    per_site = max(1, evses // sites)
    e = site * per_site + rng.integers(0, per_site, n)
    bad_pair = (v % 3 == 1) & (e % 3 == 2)
    cause = np.select(
        [v == 0, e == 1, bad_pair & (rng.random(n) < 0.6), rng.random(n) < 0.03], [0, 1, 2, 3], 4
    )
    failed = cause < 4
    share = {
        k: np.where(failed, np.where(cause == i, 0.91, 0.03), np.nan)
        for i, k in enumerate(("v", "e", "p", "o"))
    }
    when = [END - timedelta(minutes=float(m)) for m in rng.uniform(1, 12 * 7 * 24 * 60 - 1, n)]
    stage = np.where(failed, rng.choice(["offered", "requested"], n), "delivering")
    nan_null = pl.col(pl.Float64).fill_nan(None)
    return pl.DataFrame(
        {
            "attempt_id": [f"a{i:07d}" for i in range(n)],
            "evse_id": [f"E-{i:03d}" for i in e],
            "vehicle_id": [f"V-{i:04d}" for i in v],
            "id_token": [f"04A1B2C3{i:04d}" for i in v],
            "plugged_at": when,
            "unplugged_at": [at + timedelta(hours=2) for at in when],
            "supply": "AC",
            "source": "ocpp16+pilot",
            "outcome": np.where(failed, "failed", "charged"),
            "stage": stage,
            "stage_seconds": rng.uniform(1, 40, n),
            "fault": [("PilotFault" if f else None) for f in failed],
            "energy_kwh": np.where(failed, 0.0, rng.uniform(4, 30, n)),
            "early_b": failed & (stage == "offered"),
            "p_vehicle": share["v"],
            "p_evse": share["e"],
            "p_pairing": share["p"],
            "p_other": share["o"],
            "site_id": [f"yard-{i}" for i in site],
            "evse_model": [KINDS[i % 3][0] for i in e],
            "firmware": [KINDS[i % 3][1] for i in e],
            "vehicle_model": [MODELS[i % 3] for i in v],
            "coupler": "cType2",
            "clock_error_s": np.where(e == 4, 300.0, 1.0),
            "weight": 1.0,
            "pilot_high_b_v": 9.0,
            "pilot_low_b_v": np.where(v == 0, -8.8, -12.0),
            "pilot_high_c_v": np.nan,
            "pilot_low_c_v": np.nan,
        },
        schema_overrides={
            "plugged_at": pl.Datetime("us", "UTC"),
            "unplugged_at": pl.Datetime("us", "UTC"),
        },
    ).with_columns(nan_null)


def invented_week(
    vehicles: int = 60,
    evses: int = 12,
    per_vehicle: int = 40,
    sites: int = 2,
    seed: int = 14,
    **changed: Any,
) -> PageData:
    """A week in which V-0000 is bad, V-0003 back from repair, E-001 bad, and Alder Van does not get
    on with Ridge 22 / 7.1.
    """
    rng = np.random.default_rng(seed)
    attempts = _attempts(vehicles, evses, per_vehicle, sites, rng)
    failed = pl.col("outcome") == "failed"
    calls = {
        "V-0000": "refer",
        "V-0003": "proving",
        "V-0005": "watch",
        "V-0007": "insufficient_data",
    }
    of_vehicle = attempts.group_by("vehicle_id").agg(
        ac_attempts=pl.len(), ac_failures=failed.sum(), evses_failed_at=pl.col("evse_id").filter(failed).n_unique(),
        early_b_failures=pl.col("early_b").sum(),
    ).sort("vehicle_id")  # fmt: skip
    call = pl.col("vehicle_id").replace_strict(calls, default="clear", return_dtype=pl.String)
    refer = call == "refer"
    vehicle_rows = of_vehicle.with_columns(
        call=call,
        p_vehicle=pl.when(refer).then(0.97).when(call == "watch").then(0.4).otherwise(0.01),
        p_diode=pl.when(refer).then(0.93).otherwise(0.004),
        suspect=pl.when(refer).then(pl.lit("pilot_diode_shorted")),
        onset=pl.when(refer).then(pl.lit(END - timedelta(days=20))),
        onset_lo=pl.when(refer).then(pl.lit(END - timedelta(days=24))),
        onset_hi=pl.when(refer).then(pl.lit(END - timedelta(days=18))),
        dc_attempts=pl.lit(3),
        dc_charged=pl.lit(3),
        silent=pl.lit(0),
        pilot_high_v=pl.lit(9.0),
        refer_by=pl.lit(None, dtype=pl.Datetime("us", "UTC")),
        pilot_low_v=pl.when(refer)
        .then(-8.8)
        .otherwise(-12.0 + 0.1 * pl.int_range(pl.len()).mod(4)),
        reverse_path_ohm=pl.when(refer).then(2750.0),
        reverse_path_lo_ohm=pl.when(refer).then(2600.0),
        reverse_path_hi_ohm=pl.when(refer).then(2950.0),
        reason=pl.format(
            "{} of {} AC attempts failed, at {} EVSEs that serve others",
            "ac_failures",
            "ac_attempts",
            "evses_failed_at",
        ),
    )
    of_evse = attempts.group_by("evse_id", "site_id").agg(
        attempts=pl.len(),
        failures=failed.sum(),
        vehicles_failed=pl.col("vehicle_id").filter(failed).n_unique(),
    )
    bad = pl.col("evse_id") == "E-001"
    evse_rows = of_evse.sort("evse_id").with_columns(
        call=pl.when(bad).then(pl.lit("faulty")).otherwise(pl.lit("clear")),
        p_evse=pl.when(bad).then(0.99).otherwise(0.02),
        suspect=pl.when(bad).then(pl.lit("contactor")),
        onset=pl.when(bad).then(pl.lit(END - timedelta(days=60))),
        pilot_high_v=pl.lit(9.0),
        pilot_low_v=pl.lit(-12.0),
        reason=pl.format(
            "{} of {} attempts failed, with {} vehicles", "failures", "attempts", "vehicles_failed"
        ),
    )
    kinds = ["vehicle_model", "evse_model", "firmware"]
    pairing_rows = attempts.group_by(kinds).agg(
        attempts=pl.len(), failures=failed.sum(), vehicles=pl.col("vehicle_id").n_unique(), evses=pl.col("evse_id").n_unique()
    ).sort(kinds).with_columns(
        call=pl.when((pl.col("vehicle_model") == "Alder Van") & (pl.col("firmware") == "7.1"))
        .then(pl.lit("faulty"))
        .otherwise(pl.lit("clear")),
        p_pairing=pl.lit(0.9),
        reason=pl.format("{} of {} attempts failed", "failures", "attempts"),
    )  # fmt: skip
    rows: dict[str, Any] = {
        "week": WEEK,
        "vehicles": conform(vehicle_rows, "out_vehicles"),
        "evses": conform(evse_rows, "out_evses"),
        "pairings": conform(pairing_rows, "out_pairings"),
        "attempts": conform(attempts, "out_attempts"),
        "rejected": _rejected(),
        "impossible": _impossible(),
        "next_tests": _next_tests(),
        "run": _run(),
        "about_vehicles": _about_vehicles(vehicles),
        "about_evses": _about_evses(of_evse),
        "marks": _marks(),
        "decisions": _decisions(),
        "evse_suspects": _evse_suspects(),
        "evse_proving": _evse_proving(),
        "evidence": {"V-0000": invented_evidence(attempts, "V-0000")},
        "rule_results": _rule_results(),
        "rule_rates": _rule_rates(),
        "equipment": _equipment(),
        "vehicles_before": conform(vehicle_rows, "out_vehicles").with_columns(
            call=pl.when(refer).then(pl.lit("watch")).otherwise("call")
        ),
    }
    return PageData(**{**rows, **changed})


def _about_vehicles(vehicles: int) -> pl.DataFrame:
    """Every vehicle of the fleet and one that never plugged in."""
    names = [f"V-{i:04d}" for i in range(vehicles)]
    rows = {
        "vehicle_id": [*names, "V-idle"],
        "vehicle_model": [MODELS[i % 3] for i in range(vehicles)] + [MODELS[0]],
        "model_year": 2023,
        "inlets": "cCCS2",
        "vin": [f"XWSLARCH{i:09d}" for i in range(vehicles + 1)],
        "plate": [f"HB {i:04d}" for i in range(vehicles + 1)],
    }
    return conform(pl.DataFrame(rows), "out_about_vehicles")


def _about_evses(of_evse: pl.DataFrame) -> pl.DataFrame:
    number = pl.col("evse_id").str.slice(2).cast(pl.Int64)
    rows = of_evse.sort("evse_id").select(
        "evse_id",
        "site_id",
        station_id=pl.format("S-{}", pl.col("evse_id").str.slice(3)),
        evse_model=pl.when(number % 3 == 2).then(pl.lit("Ridge 22")).otherwise(pl.lit("Brook 11")),
        firmware=pl.lit("2.4"),
        supply=pl.lit("AC"),
        connector_type=pl.lit("sType2"),
        timezone=pl.lit("Europe/Berlin"),
    )
    return conform(rows, "out_about_evses")


def _marks() -> pl.DataFrame:
    rows = [
        ("evse", "E-001", END - timedelta(days=61), "firmware", "2.5"),
        ("vehicle", "V-0003", END - timedelta(days=9), "finding", "diode_shorted"),
        ("vehicle", "V-0003", END - timedelta(days=8), "repair", "diode_shorted"),
    ]
    names = ["unit_kind", "unit_id", "at", "mark", "words"]
    return conform(pl.DataFrame(rows, schema=names, orient="row"), "out_marks")


def _decisions() -> pl.DataFrame:
    rows = {
        "vehicle_id": ["V-0000"], "week": [WEEK], "decision": ["accept"],
        "reason": ["its driver agrees"], "decided_by": ["mona"], "decided_at": [END - timedelta(hours=3)],
    }  # fmt: skip
    return conform(pl.DataFrame(rows), "out_decisions")


def _evse_suspects() -> pl.DataFrame:
    rows = {"evse_id": "E-001", "suspect": ["contactor", "unclear"], "p_suspect": [0.96, 0.04]}
    return conform(pl.DataFrame(rows), "out_evse_suspects")


def _evse_proving() -> pl.DataFrame:
    rows = {
        "evse_id": ["E-004"], "finding": ["contactor"], "repaired_at": [END - timedelta(days=5)], "proving": ["proving"],
        "tried": [3], "failed": [0], "clean_attempts": [5],
    }  # fmt: skip
    return conform(pl.DataFrame(rows), "out_evse_proving")


def _rejected() -> pl.DataFrame:
    rows = {
        "file": "ocpp/a.jsonl",
        "line": [7, 9],
        "byte_offset": [512, 900],
        "reason": "cut off",
        "text": '{"at": "2026-04-0',
    }
    return conform(pl.DataFrame(rows), "out_rejected")


def _impossible() -> pl.DataFrame:
    rows = {
        "rule": "contactor_closed_in_a", "severity": "distrust", "acts": "site operator", "station_id": "S-02", "connector_id": 1,
        "at": END - timedelta(days=2),
        "attempt_id": "a0000000", "detail": "contactor closed with no vehicle, card 04A1B2C30000",
    }  # fmt: skip
    return conform(pl.DataFrame({key: [value] for key, value in rows.items()}), "out_impossible")


def _rule_results() -> pl.DataFrame:
    """As `pipeline.validate.validation_summary` gives them, cut to what the pages show."""
    rows = {
        "rule": ["contactor_closed_in_a", "clock_far_off", "lock_lost"], "severity": ["distrust", "note", "reject"],
        "rule_result": ["invalid", "valid", "not_evaluated"], "checked": [412, 2400, 0], "offending": [1, 0, 0],
        "rate": [1 / 412, 0.0, None],
        "meaning": ["The contactor is closed while no vehicle is there", "A clock is hours off", "-"],
    }  # fmt: skip
    return pl.DataFrame(rows)


def _rule_rates() -> pl.DataFrame:
    rows = {
        "rule": ["contactor_closed_in_a"], "evse_model": ["Brook 11"], "firmware": ["2.4"], "stations_caught": [1],
        "stations": [1], "rate": [0.02], "elsewhere_rate": [0.0], "whole_firmware": [True],
    }  # fmt: skip
    return pl.DataFrame(rows)


def _equipment() -> pl.DataFrame:
    rows = {
        "station_id": ["S-02", "S-03"], "site_id": ["yard-0", "yard-1"], "evse_model": ["Brook 11", "Ridge 22"],
        "attempts": [200, 190], "attempts_rejected": [2, 0], "attempts_distrusted": [9, 0], "share_not_trusted": [0.055, 0.0],
    }  # fmt: skip
    return pl.DataFrame(rows)


def _next_tests() -> pl.DataFrame:
    rows = {
        "vehicle_id": ["V-0007"], "evse_id": ["E-003"], "expected_bits": [0.82],
        "decides": ["is it V-0007 or its home EVSE E-001"], "reason": ["E-003 checks the diode and served 40 others"],
    }  # fmt: skip
    return conform(pl.DataFrame(rows), "out_next_tests")


def _run() -> dict[str, Any]:
    files = [
        {
            "file": "ocpp/a.jsonl",
            "sha256": "ab" * 32,
            "lines": 1000,
            "used": 990,
            "rejected": 2,
            "duplicates": 8,
        },
        {
            "file": "fleet/vehicles.csv",
            "sha256": "cd" * 32,
            "lines": 61,
            "used": 61,
            "rejected": 0,
            "duplicates": 0,
        },
    ]
    costs = {"cost_week_without_ac": 120.0, "cost_needless_visit": 250.0}
    return {"week": WEEK, "inputs": files, "settings": {"look_back_weeks": 12, "refer": costs},
            "versions": {"whichside": "0.1.0"}, "timings": {"ingest": 1.25}}  # fmt: skip


def nothing() -> PageData:
    """A week in which nothing happened at all."""
    tables = ("vehicles", "evses", "pairings", "attempts", "rejected", "impossible", "next_tests")
    return PageData(week=WEEK, run={}, **{name: empty(f"out_{name}") for name in tables})


def _strip_chart() -> dict[str, Any]:
    return {
        "data": {"values": [{"at": "2026-03-20", "evse": "E-003", "outcome": "failed"}]},
        "mark": "point",
        "width": "container",
        "encoding": {
            "x": {"field": "at", "type": "temporal"},
            "y": {"field": "evse", "type": "nominal"},
        },
    }


def invented_evidence(attempts: pl.DataFrame, vehicle: str, **changed: Any) -> dict[str, Any]:
    """An evidence pack in the shape of `pipeline.refer.pack.model`, as it stands in evidence.json."""
    own = attempts.filter(pl.col("vehicle_id") == vehicle).sort("plugged_at").head(12)
    names = [
        "attempt_id",
        "evse_id",
        "site_id",
        "coupler",
        "supply",
        "outcome",
        "stage",
        "stage_seconds",
        "fault",
        "p_vehicle",
    ]
    pack: dict[str, Any] = {
        "week": WEEK,
        "look_back_from_utc": END - timedelta(weeks=12),
        "look_back_to_utc": END,
        "vehicle": {"vehicle_id": vehicle, "vehicle_model": "Larch 3", "model_year": 2023,
                    "vin": "XWSLARCH300000001", "inlets": ["cCCS2"]},
        "claim": {
            "text": "The failures follow this vehicle (97 %), most likely its pilot diode (93 %).", "call": "refer",
            "suspect": "pilot_diode_shorted", "suspect_words": "shorted pilot diode", "p_vehicle": 0.97, "p_diode": 0.93,
            "suspects": [["pilot_diode_shorted", 0.96], ["charger_input", 0.04]],
            "onset_utc": END - timedelta(days=20), "onset_lo_utc": END - timedelta(days=24),
            "onset_hi_utc": END - timedelta(days=18),
        },
        "tally": {"ac_attempts": 40, "ac_failures": 40, "evses_failed_at": 9, "early_b_failures": 38, "dc_attempts": 3,
                  "dc_charged": 3},
        "weights": [
            {"signature": "low_side", "title": "Negative level of the pilot", "seen": "-8.8 V in B2 at 9 EVSEs", "factor": 42.0,
             "log_factor": 3.74, "words": "speaks strongly for", "source": "IEC 61851-1, as given by a secondary source"},
        ],
        "strip": [{"at": row["plugged_at"], **{n: row[n] for n in names}} for row in own.to_dicts()],
        "strip_chart": _strip_chart(),
        "controls": [
            {"evse_id": "E-003", "site_id": "yard-0", "evse_model": "Brook 11", "diode_check": "yes", "week": WEEK, "attempts": 4,
             "failures": 4, "other_vehicles": 17, "other_attempts": 31, "other_failures": 1},
        ],
        "controls_text": "Where it failed, 17 other vehicles charged in the same week.",
        "pilot": {"text": "Negative level near -8.8 V.", "readings": [], "bands": [], "reverse_path_ohm": 2750.0,
                  "reverse_path_lo_ohm": 2600.0, "reverse_path_hi_ohm": None},
        "pilot_chart": None,
        "ruled_out": [{"explanation": "The EVSEs", "how": "They served 17 others.", "strength": "ruled_out"}],
        "bench": {
            "cautions": ["Treat as live.", "Insulated gloves.", "Prove dead.", "Licensed people only."],
            "deference": ["Local codes, the maker's procedure and licensed practice come first."],
            "readings": [{"order": 1, "what": "Pilot to earth, both ways", "how": "ohms", "if_suspect": "2.7 kΩ both ways",
                          "if_sound": "over range one way", "note": "unplugged", "stands": "asleep, made safe", "decides": True}],
            "meter_table": [[0.001, 3300.0], [1e-6, 274000.0]],
        },
        "refutes": ["Over range with the leads exchanged."],
        "doubts": ["No trouble codes were read."],
        "history": [],
        "form": [{"label": "Finding", "column": "finding", "unit": None, "choices": ["diode_shorted", "no_fault_found"]}],
    }  # fmt: skip
    return Evidence.model_validate({**pack, **changed}).model_dump(mode="json")


WEEK_TABLES = (*CSV_TABLES, *PARQUET_TABLES, *MORE_TABLES)


def write_week_tables(folder: Path, data: PageData) -> None:
    """The week's tables and run.json, as a run writes them."""
    run = {**data.run, "week": data.week}
    write_tables(folder, {name: getattr(data, name) for name in WEEK_TABLES}, run)
    for name in CHECKS:
        getattr(data, name).write_parquet(folder / MORE / f"{name}.parquet")


def write_finished_week(out: Path, data: PageData) -> Path:
    """The week's folder as a run leaves it: tables, evidence packs, pages."""
    folder = out / data.week
    folder.mkdir(parents=True)
    write_week_tables(folder, data)
    for vehicle, pack in data.evidence.items():
        place = folder / "referrals" / pack_folder(vehicle)
        place.mkdir(parents=True)
        (place / "evidence.json").write_text(json.dumps(pack), encoding="utf-8")
    write_week_pages(folder)
    return folder


def write_people(path: Path) -> Path:
    """A file of three people, one of each role, all with PASSWORD."""
    save_person(path, Person("mona", "manager"), PASSWORD)
    save_person(path, Person("otto", "operator", frozenset({"yard-0"})), PASSWORD)
    save_person(path, Person("wilma", "workshop"), PASSWORD)
    return path

"""The whole way on the sample logs.

From the delivery to the week's folder, against the planted truth and the contract.
"""

from __future__ import annotations

import csv
import json
import re
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pypdf
import pytest
from click.testing import CliRunner

from pipeline.cli import main

TRUTH = Path(__file__).resolve().parents[2] / "sample_logs" / "truth"
WEEK = "2026-W14"
CONTRACT = {
    "vehicles.csv": "vehicle_id call p_vehicle p_diode suspect onset onset_lo onset_hi ac_attempts ac_failures evses_failed_at "
    "dc_attempts dc_charged early_b_failures pilot_low_v reverse_path_ohm reverse_path_lo_ohm reverse_path_hi_ohm reason",
    "evses.csv": "evse_id site_id call p_evse suspect onset attempts failures vehicles_failed pilot_high_v pilot_low_v reason",
    "pairings.csv": "vehicle_model evse_model firmware call p_pairing attempts failures vehicles evses reason",
    "next_tests.csv": "vehicle_id evse_id expected_bits decides reason",
    "attempts.parquet": "attempt_id evse_id vehicle_id id_token plugged_at unplugged_at supply source outcome stage "
    "stage_seconds fault energy_kwh early_b p_vehicle p_evse p_pairing p_other",
    "rejected.parquet": "file line byte_offset reason text",
    "impossible.parquet": "rule severity station_id connector_id at attempt_id detail",
}


@dataclass(frozen=True)
class Ran:
    """The demo's folder and what it said."""

    place: Path
    words: str

    @property
    def week(self) -> Path:
        """The week's folder."""
        return self.place / "out" / WEEK

    def rows(self, name: str) -> dict[str, dict[str, str]]:
        """A CSV file by its first column."""
        with (self.week / name).open(encoding="utf-8", newline="") as file:
            return {next(iter(row.values())): row for row in csv.DictReader(file)}


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """The demo, run once."""
    place = tmp_path_factory.mktemp("demo")
    shown = CliRunner().invoke(main, ["demo", "--dir", str(place)])
    assert shown.exit_code == 0, shown.output
    return Ran(place, shown.output)


def _planted(name: str) -> pl.DataFrame:
    return pl.read_csv(TRUTH / name, infer_schema=False).filter(pl.col("to_utc").is_null())


def test_the_planted_faults_are_called(ran: Ran) -> None:
    """Each sudden fault planted in a vehicle that met many EVSEs is referred with its part named,
    the leak is as a plan with its day, and nobody else is.
    """
    sudden = _planted("vehicle_truth.csv").filter(
        pl.col("fault") != "pilot_diode_leaky", pl.col("vehicle_id") != "parcels-31"
    )
    calls = ran.rows("vehicles.csv")
    referred = {v for v, row in calls.items() if row["call"] == "refer"}
    assert referred == {*sudden["vehicle_id"], "parcels-14"}
    assert {calls[v]["suspect"] for v in sudden["vehicle_id"]} == set(sudden["fault"])
    assert calls["parcels-14"]["suspect"] == "pilot_diode_leaky"
    assert calls["parcels-14"]["refer_by"]


def test_one_evse_only_is_never_enough(ran: Ran) -> None:
    """A vehicle that fails half its attempts but met one EVSE only, and nobody else did, is not
    referred, nor the EVSE called.
    """
    assert ran.rows("vehicles.csv")["parcels-31"]["call"] in {"watch", "insufficient_data"}
    assert ran.rows("evses.csv")["md-shed-1"]["call"] in {"watch", "insufficient_data"}


def test_the_planted_equipment_is_called(ran: Ran) -> None:
    """The two planted EVSEs and the planted pairing are called faulty with their part, and no
    other.
    """
    truth = _planted("evse_truth.csv")
    evses = ran.rows("evses.csv")
    assert {e for e, row in evses.items() if row["call"] == "faulty"} == set(truth["evse_id"])
    assert all(
        evses[e]["suspect"] == fault for e, fault in truth.select("evse_id", "fault").iter_rows()
    )
    pairings = pl.read_csv(ran.week / "pairings.csv").filter(pl.col("call") == "faulty")
    planted = pl.read_csv(TRUTH / "pairing_truth.csv")
    keys = ["vehicle_model", "evse_model", "firmware"]
    assert pairings.select(keys).rows() == planted.select(keys).rows()


def test_the_repaired_vehicle_is_proving_or_proved(ran: Ran) -> None:
    """The vehicle back from the workshop on 31 March is not referred again for what was mended."""
    assert ran.rows("vehicles.csv")["parcels-10"]["call"] in {"proving", "proved"}


@pytest.mark.parametrize("file", sorted(CONTRACT))
def test_the_files_have_the_stated_columns(ran: Ran, file: str) -> None:
    """Every file of the week is there with its stated columns."""
    frame = (
        pl.read_csv(ran.week / file) if file.endswith(".csv") else pl.read_parquet(ran.week / file)
    )
    assert set(CONTRACT[file].split()) <= set(frame.columns)


def test_every_line_is_accounted_for(ran: Ran) -> None:
    """Lines are used, rejected or duplicates, for each delivered file.

    Each rejected line stands in rejected.parquet.
    """
    run = json.loads((ran.week / "run.json").read_text(encoding="utf-8"))
    for row in run["inputs"]:
        assert row["lines"] == row["used"] + row["rejected"] + row["duplicates"], row["file"]
    assert (
        sum(row["rejected"] for row in run["inputs"])
        == pl.read_parquet(ran.week / "rejected.parquet").height
    )


def test_blame_is_whole_where_an_attempt_failed_and_absent_elsewhere(ran: Ran) -> None:
    """p_vehicle + p_evse + p_pairing + p_other is 1 for a failed attempt and for a silent one, at
    which nothing was charged, and null for any other.
    """
    attempts = pl.read_parquet(ran.week / "attempts.parquet")
    total = pl.sum_horizontal("p_vehicle", "p_evse", "p_pairing", "p_other", ignore_nulls=False)
    failed = pl.col("outcome") == "failed"
    assert attempts.filter(failed).select(((total - 1).abs() < 1e-8).all()).item()
    others = attempts.filter(~failed)
    silent = others.filter(total.is_not_null())
    assert silent.select(((total - 1).abs() < 1e-8).all()).item()
    assert set(silent["outcome"]) <= {"not_requested", "abandoned"}
    assert 0 < silent.height < others.height / 10


def test_the_words_name_vehicles_equipment_and_the_file_to_open(ran: Ran) -> None:
    """The last lines say, in words, whom to refer, what to look at and what to open."""
    for name in ("meals-03", "parcels-05", "meals-09", "ny-east-2", "hk-quay-2", "fleet.html"):
        assert name in ran.words


def test_a_sheet_is_one_leaf_with_the_bench_first(ran: Ran) -> None:
    """The printable sheet is one A4 leaf of two sides, the bench on the first.

    Its cautions stand before the bench readings, and it defers to maker and code.
    """
    bench, logs = pypdf.PdfReader(ran.week / "referrals" / "meals-03" / "sheet.pdf").pages
    assert {tuple(map(round, page.mediabox[2:])) for page in (bench, logs)} == {(595, 842)}
    assert "What the logs say" in logs.extract_text()
    text = re.sub(r"\s+", " ", bench.extract_text())
    assert text.index("Cautions first") < text.index("Readings to expect")
    for words in ("proved dead", "glove", "licensed", "maker", "2.74"):
        assert words in text.lower()


def test_no_page_asks_another_host(ran: Ran) -> None:
    """Nothing on a page is loaded from another host."""
    for page in ran.week.rglob("*.html"):
        loaded = re.findall(
            r"<(?:script|link|img|iframe)[^>]*(?:src|href)=[\"']([^\"']+)",
            page.read_text(encoding="utf-8"),
        )
        assert not [address for address in loaded if "//" in address], page


def test_a_second_run_changes_no_result(ran: Ran) -> None:
    """The same delivery again.

    Every file is known, and no byte of the result changes but the accounts of the run itself.
    """
    before = {p.relative_to(ran.week): p.read_bytes() for p in ran.week.rglob("*") if p.is_file()}
    shown = CliRunner().invoke(main, ["demo", "--dir", str(ran.place), "--json"])
    assert shown.exit_code == 0
    run = json.loads(shown.stdout)
    assert all(row["duplicates"] == row["lines"] for row in run["inputs"])
    after = {p.relative_to(ran.week): p.read_bytes() for p in ran.week.rglob("*") if p.is_file()}
    changed = {str(path) for path in before if before[path] != after.get(path)}
    assert changed <= {"run.json", "data.html", "tables/accounts.json"}
    assert before.keys() == after.keys()

"""The bench on the command line: a case weighed, kept, corrected; a finding checked against its readings."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.storage.decisions import open_decisions

CASE = ["case", "Van 7", "--inlet", "cType2", "--answer", "ac_reach=stops_before_asking"]


def ran(*arguments: str, code: int = 0) -> str:
    """What a command prints."""
    found = CliRunner().invoke(main, list(arguments))
    assert found.exit_code == code, found.output
    return found.output


def test_a_case_without_logs_is_led_on(tmp_path: Path) -> None:
    """No store, no logs: interview and one reading give probabilities, the next step with cautions, and the A4 page."""
    page = tmp_path / "case.pdf"
    said = ran(*CASE, "--reading", "cp_pe_reverse_ohm=2.74 kΩ", "--sheet", str(page))
    assert "shorted pilot diode" in said
    assert "Next: Pilot to earth, red lead on CP" in said
    assert "Prove dead" in said
    assert page.read_bytes().startswith(b"%PDF")


def test_the_answer_as_json_names_the_finding() -> None:
    """Both ways alike: stop, and which finding to enter."""
    both = ("--reading", "cp_pe_reverse_ohm=2.74 kΩ", "--reading", "cp_pe_forward_ohm=2k75")
    told = json.loads(ran(*CASE, *both, "--json"))
    assert (told["finding"], told["next"]) == ("diode_shorted", [])
    assert told["posterior"]["pilot_diode_shorted"] > 0.97


def test_readings_are_kept_and_taken_back(tmp_path: Path) -> None:
    """With a store readings add up over calls; one taken back counts no more, both are kept."""
    store = ("--store", str(tmp_path / "w.duckdb"), "--by", "Ada")
    ran("case", "V-1", "--reading", "cp_low_v@B2=-8.8", *store)
    assert "1. " in ran("case", "V-1", *store)
    said = ran("case", "V-1", "--withdraw", "1", "--reason", "wrong car", *store)
    assert "-8.8" not in said
    kept = open_decisions(tmp_path / "w.decisions.sqlite")
    assert kept.frames().readings.is_empty()
    kept.close()
    assert "name its --store" in ran("case", "V-1", "--withdraw", "1", code=2)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("cp_pe_reverse_ohm=2,740", "may be 2.74 ohm or 2740 ohm"),
        ("cp_low_v@B9=-8.8", "no state"),
        ("volts=3", "no reading"),
        ("cp_low_v", "not KIND=VALUE"),
    ],
)
def test_what_is_not_understood_is_refused(typed: str, said: str) -> None:
    """Exit code 2, and how to write it."""
    assert said in " ".join(ran("case", "V-1", "--reading", typed, code=2).split())


FINDING = ("--force", "--store")


def test_a_finding_that_its_readings_contradict_is_asked_back(tmp_path: Path) -> None:
    """2.74 kohm one way, over range the other, and 'shorted' chosen: sure? With --sure it is kept, over range and all."""
    found = [
        "finding",
        "V-1",
        "diode_shorted",
        "--forward-ohm",
        "3.3 kΩ",
        "--reverse-ohm",
        "OL",
        *FINDING,
        str(tmp_path / "w.duckdb"),
    ]
    assert "and you chose a shorted diode. Sure?" in " ".join(ran(*found, code=2).split())
    assert "Kept as 1" in ran(*found, "--sure")
    assert "Kept as 2" in ran(
        "finding", "V-1", "no_fault_found", "--reverse-ohm", "OL", "--at", "2026-04-02 09:30", "--corrects", "1",
        "--reason", "misread", *FINDING, str(tmp_path / "w.duckdb"),
    )  # fmt: skip
    kept = open_decisions(tmp_path / "w.decisions.sqlite")
    assert kept.frames().findings["finding"].to_list() == ["no_fault_found"]
    kept.close()

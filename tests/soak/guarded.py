"""The faults that a test of the suite does in full: its tests, run here and counted."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from xml.etree import ElementTree as ET

from tests.soak.rows import Row, Setup

ROOT = Path(__file__).resolve().parents[2]
SOAK, STORE, SIGN_IN = (
    "soak/test_faults.py",
    "storage/decisions/test_store.py",
    "dashboards/test_sign_in.py",
)
TESTS: Mapping[str, tuple[str, ...]] = {
    "a date, week or vehicle nobody can mean": (
        f"{STORE} -k 'accepted or no_one_can_read or week_to_come or wrong_finding'",
    ),
    "restore: open store, foreign or changed copy, lost photo": ("storage/test_backup.py",),
    "two stores publish into one folder; a kill between the renames": (
        "publish/test_week_folder.py",
    ),
    "sign-in: guessing, removed persons, idle sessions, clear text": (
        f"{SIGN_IN} -k 'not connections'",
    ),
    "a server killed after 'taken'; a run refused": ("dashboards/test_handed_in.py",),
    "a thousand silent connections": (f"{SIGN_IN} -k connections",),
    "persons added at once; pipes, links, deep folders in a delivery, a pipe on a cluster": (
        f"{SIGN_IN} -k at_once",
        "ingest/test_delivery.py -k 'no_file or deep_folders'",
        "orchestrate/test_cluster.py -k pipe",
    ),
    "endings: out a file, store a folder, strange weeks and words, Ctrl-C, full log": (
        "cli/test_endings.py",
        "core/test_logs.py -k 'log'",
    ),
    "files that hold decisions, passwords or who signed in are their owner's": (
        "storage/test_backup.py -k 'private or photos'",
        f"{SIGN_IN} -k noted",
        "dashboards/test_review.py -k 'holds_no_password or written_down'",
    ),
    "memory that runs out is held against no file and no warehouse": (
        "ingest/test_delivery.py -k memory",
        "storage/test_warehouse.py -k memory",
    ),
    "the machine's clock far behind": ("orchestrate/test_run.py -k clock",),
    "skippable frames, formulas, offsets, terminal signs": (
        "ingest/test_source_kinds.py",
        "publish/test_week_folder.py -k formula",
        "cli/test_endings.py -k terminal",
    ),
    "hostile files kept from fuzzing": ("fuzz",),
    "disk full, two runs at once, readers, damaged warehouse, clock set": (
        f"{SOAK} -k 'not kill_9'",
    ),
}


def rows(setup: Setup) -> Iterator[Row]:
    """A row for each fault: tests that ran and held."""
    for number, (fault, asked) in enumerate(TESTS.items()):
        row = Row(fault, "what its tests say")
        for turn, one in enumerate(asked):
            report = setup.folder / f"guarded-{number}-{turn}.xml"
            words = [w.strip("'") for w in re.findall(r"'[^']*'|\S+", one)]
            command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider"]
            subprocess.run(
                [*command, f"--junitxml={report}", f"tests/{words[0]}", *words[1:]],
                cwd=ROOT, check=False, capture_output=True,
            )  # fmt: skip
            _count(row, report)
        yield row


def _count(row: Row, report: Path) -> None:
    if not report.is_file():
        row.add("the tests could not be run")
        return
    for case in ET.parse(report).iter("testcase"):  # noqa: S314 -- our own report
        if case.find("skipped") is None:
            failed = case.find("failure") is not None or case.find("error") is not None
            row.add(f"{case.get('name')} failed" if failed else None)

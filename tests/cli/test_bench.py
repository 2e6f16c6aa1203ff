"""`whichside bench`: everything claimed in one run, at the sizes asked for."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from click.testing import CliRunner

import pipeline.measure.speed.attribute as attribute_bench
import pipeline.measure.speed.ingest as ingest_bench
import pipeline.measure.speed.run as run_bench
import pipeline.measure.speed.validate as validate_bench
from pipeline.cli import main
from pipeline.measure.speed.validate import ValidateTiming
from pipeline.settings.attribute import AttributeSettings

README = Path(__file__).resolve().parents[2] / "README.md"


@pytest.mark.parametrize(
    ("arguments", "asked"),
    [
        (["--small"], {"rounds": 1, "gigabytes": 0.05, "rows": 200_000, "sessions": 2_000_000}),
        ([], {"rounds": 3, "gigabytes": 5.0, "rows": 5_000_000, "sessions": 10_000_000}),
    ],
    ids=["small", "usual"],
)
def test_one_run_measures_all(
    monkeypatch: pytest.MonkeyPatch, arguments: list[str], asked: dict[str, float]
) -> None:
    """Without a name every job is measured, at the sizes README tells of or at small ones, and each
    prints its figures.
    """
    sizes: dict[str, float] = {}

    def ingest(*_: Any, gigabytes: float, rounds: int) -> dict[str, Any]:
        sizes["gigabytes"] = gigabytes
        return {
            "ratios": {"speed": {"got": 0.7, "asked": ">= 0.7", "met": rounds > 0}},
            "jobs": {},
            "day": {},
            "small_file_ms": 6.0,
        }

    def validate(rows: int) -> ValidateTiming:
        sizes["rows"] = rows
        return ValidateTiming(rows, 3.0, 2.0)

    def growth(_: AttributeSettings, of: tuple[tuple[int, int, int], ...]) -> pl.DataFrame:
        sizes["sessions"] = of[-1][2]
        row = {"seconds": 2.0, "processor_seconds": 3.0, "peak_mb": 300.0}
        return pl.DataFrame(
            [
                dict(zip(("vehicles", "evses", "sessions"), s, strict=True)) | row | {"cells": s[2]}
                for s in of
            ]
        )

    def whole_run(_: Any, __: Path, rounds: int) -> dict[str, Any]:
        sizes["rounds"] = rounds
        return {}

    monkeypatch.setattr(run_bench, "measure", whole_run)
    monkeypatch.setattr(run_bench, "made", lambda *_: None)
    monkeypatch.setattr(run_bench, "as_words", lambda told, size: f"whole run: {size} {told}")
    monkeypatch.setattr("sample_logs.generator.simulate", lambda *_: None)
    monkeypatch.setattr(ingest_bench, "bench", ingest)
    monkeypatch.setattr(validate_bench, "bench_validate", validate)
    monkeypatch.setattr(attribute_bench, "growth", growth)
    monkeypatch.setattr(subprocess, "run", lambda *_, **__: None)
    ran = CliRunner().invoke(main, ["bench", *arguments])
    assert ran.exit_code == 0, ran.output
    assert sizes == asked
    for said in (
        "whole run: ",
        "demo:",
        "attribute 2,000 × 400, 1,000,000 sessions: 2.0 s",
        "to the power",
        "ratio 1.50",
        "speed",
        "adds 6.0 ms",
    ):
        assert said in ran.output


def test_readme_names_commands_that_exist() -> None:
    """Every command that README says a figure comes from is understood with its options."""
    named = set(
        re.findall(r"`whichside ((?:bench|evaluate)[^`]*)`", README.read_text(encoding="utf-8"))
    )
    assert {name.split()[0] for name in named} == {"bench", "evaluate"}
    for name in named:
        assert CliRunner().invoke(main, [*name.split(), "--help"]).exit_code == 0, name


def test_the_reading_figures_are_those_of_one_delivery_read_in_several_ways() -> None:
    """Ingest stands against the bare read of the same files and against the same lines in one file, by the wall and by the processor."""
    many = {
        "wall_s": 60.0,
        "cpu_s": 90.0,
        "peak_mb": 900.0,
        "stages": {"ingest": 24.0},
        "stages_cpu_s": {"ingest": 30.0},
    }
    one = many | {"stages": {"ingest": 20.0}, "stages_cpu_s": {"ingest": 24.0}}
    jobs = {
        run_bench.MANY: many, run_bench.ONE: one, run_bench.WEEK: many,
        run_bench.BARE: {"wall_s": 6.0, "cpu_s": 10.0}, run_bench.BARE_ONE: {"wall_s": 5.0, "cpu_s": 8.0},
    }  # fmt: skip
    got = {told["what"]: (round(told["got"], 2), told["met"]) for told in run_bench.ratios(jobs)}
    assert list(got.values()) == [
        (4.0, False), (3.0, True), (4.0, False), (10.0, False), (9.0, False), (1.2, True), (1.25, False), (900.0, True),
    ]  # fmt: skip
    assert len(got) == 8

"""What is turned away is loud: on the console, in run.json, on the pages, in doctor, and by the exit code."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from pipeline.cli import main

SAMPLE = Path(__file__).resolve().parents[2] / "sample_logs" / "delivery"


@pytest.fixture
def delivery(tmp_path: Path) -> Path:
    """The lists of the sample and the frames of one week."""
    folder = tmp_path / "delivery"
    for part in ("fleet", "sites"):
        shutil.copytree(SAMPLE / part, folder / part)
    (folder / "ocpp").mkdir()
    shutil.copy(min((SAMPLE / "ocpp").glob("*.gz")), folder / "ocpp")
    return folder


def run(delivery: Path, *more: str) -> Result:
    """The command, on a store beside the delivery."""
    place = delivery.parent
    words = ["run", str(delivery), "--store", str(place / "w.duckdb"), "--out", str(place / "out")]
    return CliRunner().invoke(main, [*words, *more])


def without_column(path: Path, column: int) -> None:
    """A CSV that lacks a column."""
    rows = [line.split(",") for line in path.read_text().splitlines()]
    path.write_text(
        "\n".join(",".join(c for i, c in enumerate(r) if i != column) for r in rows) + "\n"
    )


@pytest.mark.parametrize("name", ["fleet/vehicles.csv", "fleet/tokens.csv", "sites/evses.csv"])
def test_no_week_without_a_good_list(delivery: Path, name: str) -> None:
    """A list with a column missing and none good before: exit 3, file, column and cure named, no week published.

    Once the file is corrected, the same command publishes.
    """
    good = (delivery / name).read_text()
    without_column(delivery / name, 1)
    ended = run(delivery)
    assert ended.exit_code == 3
    assert all(word in ended.output for word in (name, "is missing", "What to do"))
    assert not list((delivery.parent / "out").glob("????-W??"))
    (delivery / name).write_text(good)
    assert run(delivery).exit_code == 0


def test_a_week_is_published_and_says_what_was_not_used(delivery: Path) -> None:
    """With good lists at hand, a spoilt one and a wrong mapping entry: exit 10, and told in every place, with what to do."""
    assert run(delivery).exit_code == 0
    without_column(delivery / "fleet" / "vehicles.csv", 1)
    (delivery / "mapping.yaml").write_text(
        'frames:\n  - file: "a.log"\n    line: "{at} {station_id} {frame}"\n    speed: 3\n'
        '  - file: "b.log"\n    line: "{at} {station_id} {frame}"\n'
    )
    (delivery / "b.log").write_text("nothing of the kind\n")
    ended = run(delivery)
    assert ended.exit_code == 10
    [week] = (delivery.parent / "out").glob("????-W??")
    told = json.loads((week / "run.json").read_text())["turned_away"]
    assert {one["file"] for one in told} == {"fleet/vehicles.csv", "mapping.yaml", "b.log"}
    for words in (
        ended.output,
        (week / "fleet.html").read_text(),
        (week / "sites.html").read_text(),
    ):
        assert "fleet/vehicles.csv" in words
        assert "mapping.yaml:4" in words.replace("&#34;", '"')
        assert "nothing of the kind" in words
    doctor = CliRunner().invoke(main, ["doctor", "--out", str(delivery.parent / "out")])
    assert doctor.exit_code == 9
    assert "b.log" in doctor.output


def test_nothing_usable_says_why(tmp_path: Path) -> None:
    """A delivery of which nothing can be read ends with the files and their reasons, not with 'no record'."""
    (tmp_path / "d").mkdir()
    (tmp_path / "d" / "server.log").write_text(
        '2026-03-02 10:00:00 ST1 recv [2,"1","Heartbeat",{}]\n'
    )
    ended = run(tmp_path / "d")
    assert ended.exit_code == 3
    assert "server.log" in ended.output
    assert "preview" in ended.output

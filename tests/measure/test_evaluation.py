"""Small worlds from end to end.

What is measured, what the command prints, what the picture shows.
"""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.measure.quality.claims import ATTRIBUTION, SHARES, Figure, Share, columns_of, table
from pipeline.measure.quality.picture import reliability_rows, share_rows, write_picture
from pipeline.measure.quality.run import Evaluation, Fleet, evaluate, summary
from pipeline.settings.attribute import AttributeSettings


@pytest.fixture(scope="module")
def measured() -> Evaluation:
    """One world of two seeds, one where nothing is wrong."""
    return evaluate(
        [Fleet(60, 12, 2)],
        ["standard", "no_fault"],
        first_seed=1,
        weeks=6,
        settings=AttributeSettings(),
    )


def test_a_small_world_is_measured_whole(measured: Evaluation) -> None:
    """Worlds of each kind: every claimed measure is there.

    Where nothing is wrong no vehicle is called.
    """
    whole = summary(measured)
    assert whole["seeds"].to_list() == [2, 2]
    assert whole.filter(pl.col("scenario") == "no_fault")["n_refer"].to_list() == [0]
    assert whole.filter(pl.col("scenario") == "standard")["n_refer_right"][0] > 0
    assert (whole["ece_vehicle"] < 0.05).all()
    for claim in ATTRIBUTION:
        names = (claim.part, claim.whole) if isinstance(claim, Share) else (claim.name,)
        assert set(names) <= set(whole.columns)


def test_the_table_marks_what_misses_its_target() -> None:
    """Counts below a share's target, and figures beyond theirs, are bold.

    Nothing to count misses nothing.
    """
    claims = (Share("right", "part", "whole", 0.95), Figure("error", "error", most=0.05))
    columns = {
        "a": {"part": 94, "whole": 100, "error": 0.02},
        "b": {"part": 0, "whole": 0, "error": 0.07},
        "c": {"part": 95, "whole": 100, "error": None},
    }
    assert table(claims, columns).splitlines()[2:] == [
        "| right | 95 % | **94 of 100** | 0 of 0 | 95 of 100 |",
        "| error | 0.05 | 0.020 | **0.070** | – |",
    ]


def test_the_picture_shows_what_the_table_says(measured: Evaluation) -> None:
    """Its counts are the table's, and its calibration error, worked out from its bins, is the one
    printed.
    """
    columns = columns_of(summary(measured))
    shares = share_rows(measured)
    for world, row in columns.items():
        for share in SHARES:
            whole = shares.filter(
                pl.col("world") == world,
                pl.col("measure") == share.measure,
                pl.col("seed").is_null(),
            )
            assert whole["label"].to_list() == ([share.said(row)] if row[share.whole] else [])
    seeds = (
        shares.filter(pl.col("seed").is_not_null())
        .group_by("world", "measure")
        .agg(pl.col("part", "whole").sum())
    )
    together = shares.filter(pl.col("seed").is_null()).select("world", "measure", "part", "whole")
    assert seeds.sort("world", "measure").rows() == together.sort("world", "measure").rows()
    bins = reliability_rows(measured)
    assert bins.filter(~pl.col("share").is_between("lo", "hi")).is_empty()
    for world, row in columns.items():
        mine = bins.filter(pl.col("world") == world, pl.col("unit") == "vehicles")
        units = mine["label"].str.extract(r"of (\d+)").cast(pl.Int64)
        gap = ((mine["said"] - mine["share"]).abs() * units).sum() / units.sum()
        assert gap == pytest.approx(row["ece_vehicle_pooled"])


def test_the_picture_is_written_with_its_words(measured: Evaluation, tmp_path: Path) -> None:
    """The drawing holds the worlds' names, labelled axes and every count as text, and asks no
    outside host for anything.
    """
    write_picture(measured, tmp_path / "quality.svg")
    drawn = (tmp_path / "quality.svg").read_text(encoding="utf-8")
    for world in columns_of(summary(measured)):
        assert world in drawn
    assert "probability said, mean of the bin" in drawn
    for label in share_rows(measured).filter(pl.col("seed").is_null())["label"]:
        assert label in drawn
    assert "href=" not in drawn


def test_the_command_prints_what_the_docs_claim(tmp_path: Path) -> None:
    """Every measure of the docs' table of attribution is a line of the command's, with the same
    target.
    """
    ran = CliRunner().invoke(
        main,
        [
            "evaluate",
            "--part",
            "attribution",
            "--fleet",
            "60x12x1",
            "--weeks",
            "6",
            "--csv",
            str(tmp_path / "q.csv"),
        ],
    )
    assert ran.exit_code == 0, ran.output
    printed = [line.split(" | ")[:2] for line in ran.output.splitlines() if line.startswith("| ")]
    docs = Path(__file__).resolve().parents[2] / "docs" / "explanation" / "measured-0.1.0.md"
    lines = docs.read_text(encoding="utf-8").splitlines()
    claimed = [line.split(" | ")[:2] for line in lines if line.startswith("| ")]
    assert [line for line in printed if line not in claimed and line[0] != "| ---"] == []
    assert pl.read_csv(tmp_path / "q.csv")["scenario"].to_list() == ["standard", "misspecified"]


@pytest.mark.parametrize("arguments", [["--fleet", "60x12"], ["--plot", "q.html"]])
def test_what_cannot_be_measured_is_refused(arguments: list[str]) -> None:
    """A size without seeds, or a picture of another kind, is wrong usage before anything is
    simulated.
    """
    assert CliRunner().invoke(main, ["evaluate", *arguments]).exit_code == 2

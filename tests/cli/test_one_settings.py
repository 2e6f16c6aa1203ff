"""One `--settings` for every command that opens a store: all see the same decisions."""

from __future__ import annotations

from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.settings import load_settings
from pipeline.storage.decisions import open_decisions


@pytest.mark.parametrize(
    "name",
    [n for n, c in main.commands.items() if any("--store" in p.opts for p in c.params)],
)
def test_a_command_that_opens_a_store_takes_settings(name: str) -> None:
    """Whatever names a warehouse may be given the settings that say where its decisions are."""
    command = main.commands[name]
    assert any("--settings" in p.opts for p in command.params if isinstance(p, click.Option))


def test_a_decision_goes_where_the_settings_say(tmp_path: Path) -> None:
    """`review` and `finding` keep a decision in the store that a run with these settings reads,
    and `backup` copies that one; the store beside the warehouse is not even made.
    """
    store, kept = tmp_path / "w.duckdb", tmp_path / "elsewhere.sqlite"
    settings = tmp_path / "s.toml"
    settings.write_text(f'decisions = "{kept}"\n', encoding="utf-8")
    given = ["--store", str(store), "--settings", str(settings), "--by", "Ada", "--force"]
    for line in (
        ["review", "van-1", "accept", "--reason", "clear case", "--week", "2026-W14"],
        ["finding", "van-1", "diode_shorted", "--at", "2026-04-07"],
    ):
        ran = CliRunner().invoke(main, [*line, *given])
        assert ran.exit_code == 0, ran.output
    opened = open_decisions(load_settings(settings).decisions or "")
    frames = opened.frames()
    opened.close()
    assert frames.reviews["vehicle_id"].to_list() == ["van-1"]
    assert frames.findings["finding"].to_list() == ["diode_shorted"]
    assert not list(tmp_path.glob("w.decisions*"))
    copied = tmp_path / "copy.sqlite"
    ran = CliRunner().invoke(main, ["backup", str(copied), *given[:4]])
    assert ran.exit_code == 0, ran.output
    opened = open_decisions(copied)
    assert opened.frames().reviews.height == 1
    opened.close()

"""The command line: every command has help, every fault a message and its own exit code."""

from __future__ import annotations

from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from pipeline.cli import main


def _commands(group: click.Group, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    found = []
    for name, command in group.commands.items():
        found.append((*path, name))
        if isinstance(command, click.Group):
            found += _commands(command, (*path, name))
    return found


@pytest.mark.parametrize("command", _commands(main), ids=" ".join)
def test_every_command_has_help_and_a_place_in_the_docs(command: tuple[str, ...]) -> None:
    """A command says in a sentence what it does, each of its options has help or a plain name, and
    the reference names it.
    """
    shown = CliRunner().invoke(main, [*command, "--help"])
    assert shown.exit_code == 0
    assert len(shown.output.splitlines()) > 4
    reference = Path(__file__).resolve().parents[2] / "docs" / "reference" / "commands.md"
    assert f"## whichside {' '.join(command)}\n" in reference.read_text(encoding="utf-8")


def test_a_missing_delivery_names_the_folder(tmp_path: Path) -> None:
    """A delivery that is not there gives exit code 3, its name and what to do."""
    ran = CliRunner().invoke(
        main,
        [
            "run",
            str(tmp_path / "none"),
            "--store",
            str(tmp_path / "w.duckdb"),
            "--out",
            str(tmp_path),
        ],
    )
    assert ran.exit_code == 3
    assert "none" in ran.output
    assert "What to do" in ran.output


def test_an_empty_delivery_is_too_little_data(tmp_path: Path) -> None:
    """A delivery without any record gives exit code 7 and leaves no week's folder."""
    (tmp_path / "empty").mkdir()
    ran = CliRunner().invoke(
        main,
        [
            "run",
            str(tmp_path / "empty"),
            "--store",
            str(tmp_path / "w.duckdb"),
            "--out",
            str(tmp_path / "out"),
        ],
    )
    assert ran.exit_code == 7
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["run"], 2),
        (["run", "x", "--store", "w", "--out", "o", "--week", "2026-14"], 6),
        (["check", "--store", "none.duckdb"], 5),
        (["explain", "nothing like this"], 4),
        (["review", "v", "refuse", "--reason", "x", "--week", "2026-W14", "--store", "w"], 2),
        (["simulate", "d", "--scenario", "unheard of"], 2),
    ],
)
def test_exit_codes(
    arguments: list[str], code: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each kind of fault has the exit code that `whichside --help` documents."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "x").mkdir()
    assert CliRunner().invoke(main, arguments).exit_code == code


@pytest.mark.parametrize(
    "name", ["core_attempt", "early_b", "stage", "look_back_weeks", "onset", "pilot_diode_shorted"]
)
def test_explain_knows_tables_columns_settings_and_signatures(name: str) -> None:
    """`whichside explain` finds names of every kind and says where the fact comes from."""
    shown = CliRunner().invoke(main, ["explain", name])
    assert shown.exit_code == 0
    assert name in shown.output


@pytest.mark.parametrize(
    ("name", "said"),
    [("p_vehicle", "Range:   from 0 to 1\n"), ("reverse_path_ohm", "Range:   from 0\n"), ("call", "Values:  refer")],
)  # fmt: skip
def test_explain_tells_the_ends_that_there_are(name: str, said: str) -> None:
    """A range open at one end names the other alone."""
    shown = CliRunner().invoke(main, ["explain", name]).output
    assert said in shown
    assert "None" not in shown

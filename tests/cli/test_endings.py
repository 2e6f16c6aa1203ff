"""However a command ends: a line, what to do, an exit code, and never a traceback on the screen."""

from __future__ import annotations

import os
from pathlib import Path
from typing import NoReturn

import click
import pytest
from click.testing import CliRunner

from pipeline.cli import base, main


def _raising(error: BaseException) -> click.Group:
    @click.group(cls=base._Group)
    def group() -> None:
        """Ends as asked."""

    @group.command()
    def end() -> NoReturn:
        raise error

    return group


@pytest.mark.parametrize(
    ("error", "code", "told"),
    [
        (KeyboardInterrupt(), 130, "stopped"),
        (RuntimeError("Query interrupted"), 130, "stopped"),
        (MemoryError(), 1, "not enough memory"),
        (ModuleNotFoundError("No module named 'x'"), 1, "install the extra"),
        (
            PermissionError(13, "Permission denied", "/srv/weeks"),
            1,
            "/srv/weeks: Permission denied",
        ),
        (ValueError("odd"), 1, "ValueError: odd"),
    ],
    ids=["ctrl-c", "ctrl-c in a query", "memory", "extra", "rights", "unforeseen"],
)
def test_every_ending_is_a_line_and_what_to_do(
    error: BaseException, code: int, told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The message, the cure and the code; the trace of a fault nobody foresaw lies in a file."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    ran = CliRunner().invoke(_raising(error), ["end"])
    assert ran.exit_code == code
    assert told in ran.output
    assert "What to do" in ran.output
    assert "Traceback" not in ran.output
    kept = list(tmp_path.glob("whichside-trace-*.txt"))
    assert bool(kept) == isinstance(error, ValueError)
    assert all("ValueError: odd" in p.read_text() and p.stat().st_mode & 0o77 == 0 for p in kept)


@pytest.mark.parametrize("week", ["9999-W52", "0000-W01", "2026-W54", "26-W01"])
def test_a_week_that_is_none_is_named(week: str, tmp_path: Path) -> None:
    """A week outside the calendar ends with how to write one."""
    given = ["--store", str(tmp_path / "w"), "--reason", "x", "--force", "--week", week]
    ran = CliRunner().invoke(main, ["review", "V1", "accept", *given])
    assert ran.exit_code in {2, 6}
    assert "2026-W14" in ran.output or "four figures" in ran.output


def test_an_out_that_is_a_file_is_named(tmp_path: Path) -> None:
    """`--out` that names a file is refused before anything is read."""
    (tmp_path / "out").write_text("", encoding="utf-8")
    (tmp_path / "d").mkdir()
    given = ["--store", str(tmp_path / "w.duckdb"), "--out", str(tmp_path / "out")]
    ran = CliRunner().invoke(main, ["run", str(tmp_path / "d"), *given])
    assert ran.exit_code == 2
    assert "Traceback" not in ran.output


def test_a_log_cannot_steer_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    """An escape sequence in an id is shown as text."""
    base.say("van\x1b[2J\x07 ok\n")
    assert capsys.readouterr().out == "van\\x1b[2J\\x07 ok\n\n"


@pytest.mark.parametrize(
    "words",
    [["why", "{}"], ["finding", "{}", "no_fault_found"], ["run", "{}"], ["doctor", "--out", "{}"]],
    ids=lambda words: words[0],
)
def test_words_that_are_no_text_are_refused(words: list[str], tmp_path: Path) -> None:
    """An argument that is not UTF-8 is named before anything is opened or made."""
    odd = os.fsdecode(b"van-\xff")
    store = ["--store", str(tmp_path / "w.duckdb")]
    ran = CliRunner().invoke(main, [w.format(odd) for w in words] + store)
    assert ran.exit_code == 2
    assert "van-\\xff' is not UTF-8" in ran.output
    assert list(tmp_path.iterdir()) == []


def test_a_store_that_is_a_folder_is_not_called_damaged(tmp_path: Path) -> None:
    """`--store` that names a folder is refused as such: nobody is told to remove it."""
    ran = CliRunner().invoke(main, ["doctor", "--store", str(tmp_path)])
    assert ran.exit_code == 2
    assert "is a directory" in ran.output

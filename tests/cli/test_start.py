"""Where the command begins."""

from __future__ import annotations

import builtins
import tomllib
from pathlib import Path
from typing import Any

import pytest

from pipeline.__main__ import main
from pipeline.cli.base import STOPPED


def test_ctrl_c_while_libraries_are_read_in_ends_in_a_word(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code as for a command that was stopped later; no traceback."""
    real = builtins.__import__

    def stopped(name: str, *args: Any, **given: Any) -> Any:
        if name == "pipeline.cli":
            raise KeyboardInterrupt
        return real(name, *args, **given)

    monkeypatch.setattr(builtins, "__import__", stopped)
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == STOPPED
    assert capsys.readouterr().err == "whichside: stopped\n"


def test_the_command_begins_there() -> None:
    """The entry point of the distribution."""
    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())["project"]
    assert project["scripts"] == {"whichside": "pipeline.__main__:main"}

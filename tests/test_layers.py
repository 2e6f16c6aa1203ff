"""Imports point one way through the house; the contracts stand in pyproject.toml."""

from __future__ import annotations

from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def test_every_import_contract_is_kept(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """No room imports one above it; the generator of logs shares no code with the analysis."""
    cli = pytest.importorskip("importlinter.cli")
    monkeypatch.chdir(ROOT)
    failed = cli.lint_imports(config_filename="pyproject.toml", no_cache=True)
    assert not failed, capsys.readouterr().out

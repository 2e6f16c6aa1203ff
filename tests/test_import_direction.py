"""Imports point one way through the house."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

# A module may import from its own rank and from lower ones; each stage only from itself and lower ranks.
RANKS = {
    "pipeline.errors": 0, "pipeline.weeks": 1, "pipeline.wording": 1, "pipeline.registry": 1, "pipeline.progress": 1,
    "pipeline.logs": 1, "pipeline.peak": 1, "pipeline.backup": 1, "pipeline.drop": 1,
    "pipeline.settings": 2, "pipeline.warehouse": 3, "pipeline.decisions": 4,
    "pipeline.fingerprint": 4, "pipeline.accounts": 4, "pipeline.lake": 4, "pipeline.ingest": 5,
    "pipeline.normalise": 6, "pipeline.validate": 7, "pipeline.circuit": 7, "pipeline.attribute": 8,
    "pipeline.refer": 9, "pipeline.report": 10, "dashboards": 10, "pipeline.publish": 11, "pipeline.explain": 12,
    "pipeline.licences": 12, "pipeline.run": 13, "pipeline.doctor": 13, "pipeline.summary": 14, "pipeline.backfill": 14,
    "pipeline.evaluate": 14, "pipeline.flows": 14, "pipeline.cluster": 15, "pipeline.schedule": 16, "pipeline.cli": 17,
}  # fmt: skip


def _place(module: str) -> str | None:
    return next(
        (place for place in sorted(RANKS, key=len, reverse=True) if module == place or module.startswith(place + ".")), None
    )


def _modules() -> list[Path]:
    return sorted(p for folder in ("pipeline", "dashboards", "sample_logs") for p in (ROOT / folder).rglob("*.py"))


def _imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
    return found


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_point_one_way(path: Path) -> None:
    """No stage imports a later one; the generator of logs shares no code with the analysis."""
    module = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    here = _place(module)
    if module in {"pipeline", "dashboards", "sample_logs"}:
        return
    ours = {name for name in _imports(path) if name.split(".")[0] in {"pipeline", "dashboards"}}
    if module.startswith("sample_logs"):
        assert not ours, f"{module} imports {ours}"
        return
    assert here is not None, f"{module} has no place in the map: give it one in RANKS"
    for name in ours:
        there = _place(name)
        if there is None:
            assert name in {"pipeline", "dashboards"}, f"{module} imports {name}, which has no place"
            continue
        assert RANKS[there] <= RANKS[here], f"{module} imports {name}, a later stage"
        assert there == here or RANKS[there] < RANKS[here], f"{module} imports {name}, its neighbour"

"""Worlds and deliveries small enough to look at whole."""

from __future__ import annotations

from pathlib import Path

import pytest

from sample_logs.generator import World, WorldSpec, simulate, simulate_world

SEEDS = (11, 12, 13)


@pytest.fixture(scope="session")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A delivery without any dirt."""
    home = tmp_path_factory.mktemp("clean")
    simulate(home, vehicles=60, evses=24, weeks=3, seed=5, dirt=0.0)
    return home


@pytest.fixture(scope="session")
def dirty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same delivery with the usual dirt."""
    home = tmp_path_factory.mktemp("dirty")
    simulate(home, vehicles=60, evses=24, weeks=3, seed=5, dirt=1.0)
    return home


@pytest.fixture(scope="session")
def worlds() -> list[World]:
    """Three standard worlds."""
    return [simulate_world(WorldSpec(600, 120, 8, seed)) for seed in SEEDS]

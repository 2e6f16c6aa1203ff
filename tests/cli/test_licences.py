"""What whichside brings along may be used as it uses it."""

from __future__ import annotations

import re

import pytest

from pipeline.cli.licences import as_words, installed

# Licences that let an Apache-2.0 program depend on a package unchanged (common practice; SPDX or
# classifier names).
FREE = (
    r"MIT|BSD|Apache|ISC|PSF|Python Software Foundation|Zlib|0BSD|CC0|Unlicense|Artistic|CNRI|HPND"
)
FILE_LEVEL = r"MPL|Mozilla"  # copyleft for the licensed files only; we change none


@pytest.mark.parametrize(
    "extras", [(), ("check", "schedule", "serve", "cluster", "postgresql")], ids=["core", "extras"]
)
def test_every_licence_is_known_and_lets_us(extras: tuple[str, ...]) -> None:
    """Each package that comes along states a licence, and offers one that lets us depend on it."""
    packages = installed(extras=frozenset(extras))
    assert {"duckdb", "polars", "numpy"} <= {p.name for p in packages}
    assert [p for p in packages if not re.search(f"{FREE}|{FILE_LEVEL}", p.licence)] == []


def test_the_core_is_small() -> None:
    """The core install pulls in no scheduler, web server, test tool or cluster.

    Those are extras.
    """
    names = {p.name for p in installed()}
    assert not names & {
        "prefect",
        "great-expectations",
        "starlette",
        "distributed",
        "dask",
        "pytest",
        "pandas",
        "pg8000",
    }


def test_the_listing_names_version_and_licence() -> None:
    """One line a package, with its version and licence."""
    line = next(line for line in as_words(installed()).splitlines() if line.startswith("duckdb "))
    assert re.fullmatch(r"duckdb \d+\.\d+\S*\s+MIT.*", line)

"""Look at everything that was named."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from pipeline.core.errors import WhichsideError
from pipeline.orchestrate.doctor import stores, surroundings, weeks
from pipeline.orchestrate.doctor.checks import Check, Health


def examine(
    store: Path | None = None, out: Path | None = None, decisions: str | Path | None = None, settings_file: Path | None = None,
    *, deep: bool = False,
) -> Health:  # fmt: skip
    """Look at everything named; what is None is left out. `deep` reads every row of the warehouse,
    so a damaged block shows.

    Never raises for what it finds: trouble is a row of the answer.
    """
    looks: list[tuple[str, Callable[[], Iterator[Check]]]] = [
        ("versions", surroundings.versions), ("settings", lambda: surroundings.settings(settings_file)),
    ]  # fmt: skip
    if store:
        looks += [
            ("warehouse", lambda: stores.warehouse(store, deep=deep)),
            ("disk", lambda: surroundings.disk(store, store)),
        ]
    if out:
        looks += [
            ("runs", lambda: weeks.runs(out)),
            ("disk", lambda: surroundings.disk(out, store)),
        ]
    if decisions:
        looks.append(("decisions", lambda: stores.decisions(decisions)))
    looks.append(("prefect", surroundings.prefect))
    return Health(tuple(check for name, look in looks for check in _safely(name, look)))


def _safely(name: str, look: Callable[[], Iterator[Check]]) -> Iterator[Check]:
    try:
        yield from look()
    except WhichsideError as error:
        yield Check(
            name,
            "trouble",
            f"{error.where}: {error.what}" if error.where else error.what,
            error.next_step or "",
        )
    except OSError as error:
        yield Check(name, "trouble", str(error))

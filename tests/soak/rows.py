"""Rows of the table of faults, and what all parts share: the folder, the doses, a case run in forks."""

from __future__ import annotations

import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache, cached_property
from pathlib import Path

from tests.soak.faults import Case, make_case, words
from tests.soak.processes import Ended, fork
from tests.soak.steps import spare

SIZE = {"vehicles": 2, "evses": 2, "weeks": 1}
"""Of the delivery: as little as makes a week, for many tries."""


@dataclass
class Row:
    """A fault, how often it was done, and how often all held."""

    fault: str
    holds: str
    tries: int = 0
    survived: int = 0
    lost: list[str] = field(default_factory=list)
    _told: int = 0

    def add(self, wrong: str | None) -> None:
        """Count a try; `wrong` is what did not hold."""
        self.tries += 1
        self.survived += wrong is None
        if wrong:
            self.lost.append(wrong[:400])

    def tell(self, every: int) -> None:
        """Say how far it is after so many tries; of a loss at once."""
        now = f"{datetime.now(UTC):%H:%M:%S} {self.tries} tries, {self.survived} survived"
        if self.lost and self.tries - self.survived > self._told:
            self._told = self.tries - self.survived
            print(f"    {now}: {self.lost[-1]}", flush=True)  # noqa: T201
        elif self.tries % every == 0:
            print(f"    {now}", flush=True)  # noqa: T201

    def line(self) -> str:
        """The row as a line."""
        return f"| {self.fault} | {self.holds} | {self.tries:,} | {self.survived:,} |"


def table(rows: list[Row]) -> str:
    """The rows as a table."""
    head = "| fault | what held after it | tries | survived |\n| --- | --- | ---: | ---: |"
    return "\n".join([head, *(row.line() for row in rows)])


@dataclass
class Setup:
    """Folder and doses."""

    folder: Path
    kills: int
    every: int
    seed: int
    sparing: bool = False
    """Whether its runs do without what only costs time (`spare`)."""

    @cached_property
    def case(self) -> Case:
        """The small delivery and its week."""
        warm()
        if self.sparing:
            spare()
        place = self.folder / "case"
        place.mkdir(parents=True)
        return make_case(place, forked, seed=self.seed, **SIZE)


def whichside(*given: str) -> Callable[[], int]:
    """A command of ours as work for a fork."""
    from pipeline.cli import main  # noqa: PLC0415 -- imported before forking, by `warm`

    def work() -> int:
        main(list(given), "whichside")
        return 0

    return work


def forked(case: Case, place: Path, kill_at_cpu_s: float | None) -> Ended:
    """A run of a case's delivery in a fork."""
    return fork(whichside(*words(case.delivered, place)), kill_at_cpu_s=kill_at_cpu_s)


def wrong_with(*checks: Callable[[], object]) -> str | None:
    """What the first check that fails says; None when all hold."""
    for check in checks:
        try:
            check()
        except AssertionError as error:
            at = traceback.extract_tb(error.__traceback__)[-1]
            return f"{error} ({at.name}: {at.line})"
    return None


def warm() -> None:
    """Import and read what every run needs, without asking anything of polars or DuckDB."""
    import subprocess  # noqa: PLC0415
    import sys  # noqa: PLC0415

    import pyarrow.dataset  # noqa: F401, PLC0415

    import dashboards.markup  # noqa: PLC0415
    import dashboards.pages  # noqa: PLC0415
    import dashboards.unit_page  # noqa: PLC0415
    import pipeline.orchestrate.run  # noqa: F401, PLC0415
    from dashboards.language import strings  # noqa: PLC0415
    from pipeline.normalise.signals.codes import lists  # noqa: PLC0415
    from pipeline.registry import registry  # noqa: PLC0415
    from pipeline.validate.rules import rules  # noqa: PLC0415

    registry(), rules(), lists(), strings()
    templates = cache(dashboards.markup.environment)
    for name in templates().list_templates(("j2",)):
        templates().get_template(name)
    dashboards.pages.environment = dashboards.unit_page.environment = templates
    bundle = (
        "import sys; from dashboards.pages import chart_script; sys.stdout.write(chart_script())"
    )
    script = subprocess.run(
        [sys.executable, "-c", bundle], capture_output=True, text=True, check=True
    ).stdout
    dashboards.pages.chart_script = lambda: (
        script
    )  # made in a process of its own: its engine has threads

"""The same steps as `run_week`, run as a Prefect flow of tasks: retries, one cached step,
artifacts.

A direct run needs none of this. Where no Prefect server is configured (PREFECT_API_URL), Prefect
starts a passing one.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from prefect import Task, flow, task
from prefect.artifacts import create_link_artifact, create_table_artifact
from prefect.cache_policies import NO_CACHE
from prefect.client.orchestration import get_client
from prefect.client.schemas.objects import State, TaskRun
from prefect.context import TaskRunContext
from prefect.settings import get_current_settings, temporary_settings

from pipeline.core.errors import SettingsError, StoreError, WhichsideError
from pipeline.core.progress import silent
from pipeline.orchestrate import fingerprint
from pipeline.orchestrate import run as steps
from pipeline.orchestrate.run import Request, Result
from pipeline.publish.week_report import past
from pipeline.settings import Settings

# A passing server takes 16-26 s to start on two cores, measured; Prefect's own limit of 20 s is too
# short.
SERVER_START_S = 120
RETRIES = 2
RETRY_DELAY_S = 5.0
# An artifact is for a look; the whole table stands in the week's folder.
ARTIFACT_ROWS = 100


def prefect_home() -> Path:
    """Where Prefect keeps its own things for us.

    WHICHSIDE_PREFECT_HOME, else the user's state folder (XDG).
    """
    state = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    return Path(os.environ.get("WHICHSIDE_PREFECT_HOME") or Path(state) / "whichside" / "prefect")


@contextmanager
def our_prefect() -> Iterator[None]:
    """Prefect with our defaults: own home, a long enough start, no analytics.

    What the user set stands.
    """
    defaults = {
        "PREFECT_HOME": prefect_home(),
        "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": SERVER_START_S,
        "PREFECT_SERVER_ANALYTICS_ENABLED": False,
    }
    with temporary_settings(set_defaults=defaults):
        yield


def need_server(who: str) -> None:
    """Make sure that a configured Prefect server answers.

    Raises SettingsError when none is configured, StoreError when it does not answer.
    """
    url = get_current_settings().api.url
    if url is None:
        cure = "start one with `prefect server start` and set PREFECT_API_URL=http://127.0.0.1:4200/api"
        raise SettingsError(f"{who} needs a Prefect server that stays", next_step=cure)
    with get_client(sync_client=True) as client:
        fault = client.api_healthcheck()
    if fault is not None:
        cure = "start it with `prefect server start`"
        raise StoreError(f"the Prefect server does not answer: {fault}", where=url, next_step=cure)


def worth_retrying(_task: Task[Any, Any], _run: TaskRun, state: State[Any]) -> bool:
    """A fault of ours says what to mend, so the same again will not help.

    Anything else may pass.
    """
    return not isinstance(state.result(raise_on_failure=False), WhichsideError)


def _report_key(_context: TaskRunContext, given: Mapping[str, Any]) -> str:
    """Name of a report by everything it is made from.

    Code, rows, week, settings, decisions.
    """
    con, week, settings = given["con"], given["week"], given["settings"]
    made_from = (
        week,
        settings.model_dump(mode="json"),
        past(given["decisions"], week),
    )
    return f"report-{fingerprint.of_code()}-{fingerprint.of_warehouse(con)}-{fingerprint.of_objects(*made_from)}"


def _as_task(name: str, step: Any) -> Any:
    """A step as a task.

    None is taken from the cache but the report, whose key says what its result depends on.
    """
    key = _report_key if name == "report" else None
    caching: dict[str, Any] = (
        {"cache_key_fn": key, "persist_result": True} if key else {"cache_policy": NO_CACHE}
    )
    return task(
        step,
        name=name,
        retries=RETRIES,
        retry_delay_seconds=RETRY_DELAY_S,
        retry_condition_fn=worth_retrying,
        **caching,
    )


def _show(result: Result) -> None:
    """Leave the week's tables and links to its pages beside the run, for a look in Prefect's own
    pages.
    """
    name = result.week.lower()
    for table in ("vehicles", "evses", "pairings", "next_tests"):
        rows = result.tables[table].head(ARTIFACT_ROWS)
        create_table_artifact(
            key=f"{table.replace('_', '-')}-{name}",
            table=rows.cast({c: str for c, t in rows.schema.items() if t.is_temporal()}).to_dicts(),
            description=f"{table} of {result.week}: {rows.height} of {result.tables[table].height} rows",
        )
    for page in sorted(result.folder.glob("*.html")):
        create_link_artifact(
            key=f"{page.stem.replace('_', '-')}-{name}",
            link=page.resolve().as_uri(),
            link_text=page.stem,
        )


@flow(name="whichside-week", validate_parameters=False, persist_result=False)
def week_flow(request: Request) -> Result:
    """The steps in order; the warehouse is held from the first to the last, as in a direct run."""
    result = steps.run_week(request, silent, _as_task)
    _show(result)
    return result


def run_week_as_flow(request: Request) -> Result:
    """As `pipeline.orchestrate.run.run_week`, each step a Prefect task; the same bytes come out.

    Raises what the steps raise. The report (attribution and decision) is taken from the cache when
    its inputs are the same.
    """
    with our_prefect():
        return week_flow(request)


@flow(name="whichside", log_prints=False)
def served_week(
    deliveries: list[str], store: str, out: str, week: str | None, settings: dict[str, Any]
) -> str:
    """The weekly run as a deployment calls it, its request in plain JSON.

    Gives the week's folder.
    """
    request = Request(
        tuple(map(Path, deliveries)),
        Path(store),
        Path(out),
        week,
        Settings.model_validate(settings),
    )
    return str(week_flow(request).folder)

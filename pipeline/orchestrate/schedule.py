"""The week by itself.

A served weekly run, and a watched drop folder that starts runs of its own.
"""

from __future__ import annotations

import contextvars
import logging
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

from prefect import serve
from prefect.client.schemas.objects import FlowRun
from prefect.client.schemas.schedules import CronSchedule
from prefect.deployments import run_deployment
from prefect.deployments.runner import RunnerDeployment
from prefect.types.entrypoint import EntrypointType

from pipeline.core.errors import SettingsError
from pipeline.orchestrate.drop_folder import Watch, record_of
from pipeline.orchestrate.flows import need_server, our_prefect, served_week
from pipeline.orchestrate.run import Request

LOG = logging.getLogger(__name__)
DEPLOYMENT = "weekly"
# Between two looks at the drop folder; a delivery that is the same at both has arrived.
LOOK_EVERY_S = 30.0


def _parameters(request: Request, deliveries: tuple[Path, ...]) -> dict[str, Any]:
    """A request as the served flow takes it, paths made absolute."""
    return {
        "deliveries": [str(path.resolve()) for path in deliveries],
        "store": str(request.store.resolve()),
        "out": str(request.out.resolve()),
        "week": request.week,
        "settings": request.settings.model_dump(mode="json", by_alias=True),
    }


def take_drops(watch: Watch, run: Callable[[Path], str | None]) -> list[Path]:
    """Run what is ready in the drop folder, one delivery after the other.

    `run` gives None, or why it failed.
    """
    ready = watch.ready()
    for drop in ready:
        watch.note(drop, run(drop.path) or "taken")
    return [drop.path for drop in ready]


def _run_served(request: Request, delivery: Path) -> str | None:
    """Have the served flow take one delivery and wait for its end; None, or what its state says."""
    name = f"{served_week.name}/{DEPLOYMENT}"
    run = cast(
        "FlowRun",
        run_deployment(name, parameters=_parameters(request, (delivery,)), as_subflow=False),
    )
    state = run.state
    return (
        None
        if state and state.is_completed()
        else f"{state.name if state else 'no state'}: {state and state.message}"
    )


def _watch_until(stop: threading.Event, watch: Watch, request: Request, every_s: float) -> None:
    """Look again and again; whatever goes wrong with one look (the flow not registered yet, a server
    or a disk away for a while) is told, and the next look tries again: a watcher that dies is not seen.
    """
    while not stop.wait(every_s):
        try:
            take_drops(watch, lambda delivery: _run_served(request, delivery))
        except Exception as error:  # noqa: BLE001
            LOG.warning(
                "a look at the drop folder failed, the next one is in %g s: %s: %s",
                every_s, type(error).__name__, error,
            )  # fmt: skip


def serve_schedule(
    cron: str, request: Request, drop: Path | None = None, look_every_s: float = LOOK_EVERY_S
) -> None:
    """Serve the weekly run (times in UTC) against the configured Prefect server until stopped; at
    most one run at a time.

    With a drop folder, each delivery that has arrived there starts a run of its own. Raises
    SettingsError for a wrong cron line or no server, StoreError when the server does not answer or
    the drop folder is not there.
    """
    try:
        CronSchedule(cron=cron)
    except ValueError as error:
        raise SettingsError(
            f"{cron!r} is not a cron line", next_step='write it like "0 6 * * 1"'
        ) from error
    watch = Watch(drop, record_of(request.store)) if drop else None
    stop = threading.Event()
    with our_prefect():
        need_server("a schedule")
        if watch:
            watch.ready()
        deployment = served_week.to_deployment(
            DEPLOYMENT,
            cron=cron,
            parameters=_parameters(request, request.deliveries),
            entrypoint_type=EntrypointType.MODULE_PATH,
        )
        if watch:
            ours = contextvars.copy_context()  # a thread starts without the settings made here
            threading.Thread(
                target=ours.run,
                args=(_watch_until, stop, watch, request, look_every_s),
                daemon=True,
            ).start()
        try:
            serve(cast("RunnerDeployment", deployment), limit=1, print_starting_message=False)
        finally:
            stop.set()

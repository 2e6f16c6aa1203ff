"""One local Prefect server for the tests of flows and clusters."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import suppress

import pytest
from prefect.settings import temporary_settings

from tests.ops import free_port

# A server takes 7-26 s to start on two cores of its own, measured, and ten times that among others'
# work; this is a limit for a broken machine, not a bench.
START_S = 600
STOP_S = 120


@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a Prefect server with a home of its own.

    Prefect is set to use it meanwhile.
    """
    home, port = tmp_path_factory.mktemp("prefect"), free_port()
    api = f"http://127.0.0.1:{port}/api"
    env = {**os.environ, "PREFECT_HOME": str(home), "PREFECT_SERVER_ANALYTICS_ENABLED": "false"}
    command = [sys.executable, "-m", "prefect", "server", "start", "--port", str(port), "--no-ui"]
    with (
        (home / "server.log").open("wb") as log,
        subprocess.Popen(command, env=env, stdout=log, stderr=log) as process,
    ):
        try:
            _wait_for(f"{api}/health", process)
            with temporary_settings({"PREFECT_HOME": home, "PREFECT_API_URL": api}):
                yield api
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(STOP_S)


def _wait_for(url: str, server: subprocess.Popen[bytes]) -> None:
    end = time.monotonic() + START_S
    while True:
        with (
            suppress(urllib.error.URLError, ConnectionError),
            urllib.request.urlopen(url, timeout=5),
        ):
            return
        assert server.poll() is None, "the server ended: see its log"
        assert time.monotonic() < end, f"{url} did not answer within {START_S} s"
        time.sleep(0.2)

"""A store of each kind: a SQLite file, and a database of a PostgreSQL server where there is one.

The server is the one of WHICHSIDE_TEST_POSTGRESQL (a URL that may make databases), else one started
here for the tests, on a socket and a loopback port of its own, from the machine's own programs;
where there are none, those tests are skipped.
"""

from __future__ import annotations

import getpass
import os
import shutil
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
import sqlalchemy as sa

from pipeline.storage.decisions.connection import PG_DRIVER

SERVER = "WHICHSIDE_TEST_POSTGRESQL"
ADMIN = "whichside"


def _program(name: str) -> str | None:
    """A program of the server: Debian keeps them beside the path."""
    debian = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    return str(debian[-1]) if debian else shutil.which(name)


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """URL of a server on which databases may be made."""
    pytest.importorskip("pg8000", reason="the extra postgresql is not installed")
    if SERVER in os.environ:
        yield os.environ[SERVER]
        return
    initdb, postgres = _program("initdb"), _program("pg_ctl")
    if initdb is None or postgres is None:
        pytest.skip(f"no PostgreSQL on this machine, and {SERVER} names none")
    # it does not run as root; Debian's package makes the user postgres
    user = "postgres" if getpass.getuser() == "root" else None
    with TemporaryDirectory(prefix="whichside-pg-") as folder, socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
        free.close()
        if user is not None:
            shutil.chown(folder, user)

        def do(*words: str) -> None:
            subprocess.run(words, check=True, user=user, cwd=folder, capture_output=True)

        data, log = f"{folder}/data", f"{folder}/log"
        do(initdb, "-D", data, "-U", ADMIN, "--auth=trust", "-E", "UTF8", "--no-sync", "--locale=C")
        try:
            do(
                postgres,
                "-D",
                data,
                "-l",
                log,
                "-w",
                "-o",
                f"-h 127.0.0.1 -p {port} -k {folder} -c fsync=off",
                "start",
            )
            yield f"postgresql://{ADMIN}@127.0.0.1:{port}/postgres"
        finally:
            do(postgres, "-D", data, "-m", "immediate", "stop")


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Path or URL of a store that is not there yet, of each kind."""
    if request.param == "sqlite":
        yield str(tmp_path / "kept" / "decisions.db")
        return
    url = sa.make_url(request.getfixturevalue("server"))
    made = sa.create_engine(url.set(drivername=PG_DRIVER), isolation_level="AUTOCOMMIT")
    name = f"test_{os.getpid()}_{abs(hash(request.node.nodeid))}"
    with made.connect() as con:
        con.execute(sa.text(f'CREATE DATABASE "{name}"'))
        yield url.set(database=name).render_as_string(hide_password=False)
        con.execute(sa.text(f'DROP DATABASE "{name}" WITH (FORCE)'))
    made.dispose()

"""The command group, its exit codes and the options that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any, TypeVar

import click

from pipeline.core.errors import WhichsideError

EXIT_CODES = (
    "Exit codes: 0 done; 1 a fault not named here; 2 wrong usage; 3 a delivery cannot be read; 4 data do not fit their "
    "declaration; 5 the warehouse or decisions store is missing, held by another run or damaged; 6 a wrong setting; "
    "7 too little data for the question; 8 a check found more than its stated rate; 9 doctor found trouble."
)


class _Group(click.Group):
    """Turns our errors into a message and an exit code.

    Never a traceback for what a user can mend.
    """

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except WhichsideError as error:
            click.echo(f"whichside: {error}", err=True)
            ctx.exit(error.exit_code)
        except MemoryError:
            click.echo(
                "whichside: not enough memory\nWhat to do: give fewer deliveries at a time",
                err=True,
            )
            ctx.exit(1)
        except ModuleNotFoundError as error:
            click.echo(
                f"whichside: {error}\nWhat to do: install the extra that has it (check, schedule, serve, cluster)",
                err=True,
            )
            ctx.exit(1)


@click.group(
    cls=_Group, epilog=EXIT_CODES, context_settings={"help_option_names": ["-h", "--help"]}
)
@click.version_option(version("whichside"))
def main() -> None:
    """Vehicle, EVSE, pairing or chance? Reads a fleet's charging logs and says who is at fault."""


def path_type(*, folder: bool | None = None) -> click.Path:
    """A path argument; `folder` says whether it must be a folder or must not."""
    return click.Path(path_type=Path, file_okay=folder is not True, dir_okay=folder is not False)


_Command = TypeVar("_Command", bound=Callable[..., Any])


def store(command: _Command) -> _Command:
    """`--store` with `--settings`: who opens a store also reads where its decisions are kept."""
    named = click.option(
        "--store", type=path_type(), required=True, help="The warehouse: one DuckDB file."
    )
    return named(settings(command))


out = click.option("--out", type=path_type(), required=True, help="Where the weeks' folders go.")
settings = click.option(
    "--settings", "settings_file", type=path_type(), help="A TOML file of settings."
)
quiet = click.option("--quiet", is_flag=True, help="Say nothing but errors.")
as_json = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
log = click.option(
    "--log",
    "log_file",
    type=path_type(),
    help="Append what happens to a file, one JSON object a line.",
)

"""The command group, its exit codes and the options that several commands share."""

from __future__ import annotations

import os
import traceback
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any, TypeVar

import click

from pipeline.core.errors import WhichsideError
from pipeline.core.wording import printable

EXIT_CODES = (
    "Exit codes: 0 done; 1 a fault not named here; 2 wrong usage; 3 a delivery cannot be read; 4 data do not fit their "
    "declaration; 5 the warehouse or decisions store is missing, held by another run or damaged; 6 a wrong setting; "
    "7 too little data for the question; 8 a check found more than its stated rate; 9 doctor found trouble; "
    "10 the week is published, but a whole file or a mapping entry was turned away; "
    "130 stopped by Ctrl-C."
)


TURNED_AWAY = 10
"""Exit code of a run that published, though a whole file or a mapping entry was turned away; contract."""
STOPPED = 130
"""Exit code of a command that was stopped by Ctrl-C, as shells give it (common practice)."""


def say(text: object, *, err: bool = False) -> None:
    """Print a text; what a log wrote into it cannot steer the terminal."""
    click.echo(printable(str(text)), err=err)


class _Group(click.Group):
    """Turns whatever ends a command into a line, what to do, and an exit code.

    Never a traceback on the screen: that of a fault nobody foresaw goes to a file.
    """

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """As click does; words that are no UTF-8 are refused, as no store could keep them."""
        for word in args:
            if not word.isascii() and any("\ud800" <= sign <= "\udfff" for sign in word):
                shown = os.fsencode(word).decode("utf-8", "backslashreplace")
                raise click.UsageError(f"'{shown}' is not UTF-8; name it in UTF-8")
        return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except (click.exceptions.Exit, click.ClickException, click.Abort, SystemExit):
            raise
        except BaseException as error:  # noqa: BLE001 -- the one place where everything ends
            text, code = _ending(error)
            say(f"whichside: {text}", err=True)
            ctx.exit(code)


def _ending(error: BaseException) -> tuple[str, int]:
    """What to say of an error, and the exit code."""
    if isinstance(error, WhichsideError):
        return str(error), error.exit_code
    if isinstance(error, KeyboardInterrupt) or "Query interrupted" in str(error):
        return "stopped\nWhat to do: run again; files read so far stay read", STOPPED
    if isinstance(error, MemoryError):
        return "not enough memory\nWhat to do: give fewer deliveries at a time", 1
    if isinstance(error, ModuleNotFoundError):
        extras = "check, schedule, serve, cluster, postgresql"
        return f"{error}\nWhat to do: install the extra that has it ({extras})", 1
    if isinstance(error, OSError) and error.strerror:
        named = f"{error.filename}: " if error.filename else ""
        return (
            f"{named}{error.strerror}\nWhat to do: see that the path, its rights and its disk serve",
            1,
        )
    return f"{type(error).__name__}: {error}\nWhat to do: {_kept_trace(error)}", 1


def _kept_trace(error: BaseException) -> str:
    """Keep where it happened in a private file; say which."""
    lines = "".join(traceback.format_exception(error))
    try:
        with NamedTemporaryFile(
            "w", prefix="whichside-trace-", suffix=".txt", delete=False, encoding="utf-8"
        ) as file:
            file.write(lines)
    except OSError:
        return "report it with this line; the trace could not be written"
    return f"report it with the trace in {file.name}"


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
        "--store",
        type=path_type(folder=False),
        required=True,
        help="The warehouse: one DuckDB file.",
    )
    return named(settings(command))


def count(
    name: str, default: int, told: str | None = None, *, least: int = 1, most: int | None = None
) -> Callable[[_Command], _Command]:
    """An option that is a whole number from `least` to `most`, its default shown."""
    kind = click.IntRange(least, most)
    return click.option(name, type=kind, default=default, show_default=True, help=told)


def fleet(
    vehicles: int, evses: int, weeks: int, *, least_weeks: int = 1
) -> Callable[[_Command], _Command]:
    """`--vehicles --evses --weeks --seed` of a simulated world."""
    options = (
        count("--vehicles", vehicles),
        count("--evses", evses),
        count("--weeks", weeks, least=least_weeks, most=104),
        count("--seed", 1, least=0),
    )

    def with_all(command: _Command) -> _Command:
        for option in reversed(options):
            command = option(command)
        return command

    return with_all


deliveries = click.argument("deliveries", nargs=-1, required=True, type=path_type())
out = click.option(
    "--out", type=path_type(folder=True), required=True, help="Where the weeks' folders go."
)
settings = click.option(
    "--settings", "settings_file", type=path_type(folder=False), help="A TOML file of settings."
)
quiet = click.option("--quiet", is_flag=True, help="Say nothing but errors.")
as_json = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
log = click.option(
    "--log",
    "log_file",
    type=path_type(folder=False),
    help="Append what happens to a file, one JSON object a line.",
)

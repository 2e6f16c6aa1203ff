"""Commands for what has just arrived: preview, skeletons."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli import base
from pipeline.cli.base import main


@main.command()
@click.argument("files", nargs=-1, required=True, type=base.path_type(folder=False))
@base.settings
def preview(files: tuple[Path, ...], settings_file: Path | None) -> None:
    """Say what FILES are, how they would be read, and the mapping that reads them; writes nothing.

    Ends with 3 where one of them would not be read.
    """
    from pipeline.orchestrate.preview import preview as look
    from pipeline.orchestrate.preview import preview_words
    from pipeline.settings import load_settings

    settings = load_settings(settings_file).ingest
    made = [look(path, settings) for path in files]
    base.say(f"\n\n{'-' * 40}\n\n".join(map(preview_words, made)))
    if not all(one.readable for one in made):
        click.get_current_context().exit(3)


@main.command()
@base.deliveries
@click.option(
    "--dir",
    "directory",
    type=base.path_type(folder=True),
    default=Path("lists"),
    show_default=True,
    help="Where to put the lists.",
)
@base.settings
def skeletons(deliveries: tuple[Path, ...], directory: Path, settings_file: Path | None) -> None:
    """Write lists of the EVSEs and cards seen in DELIVERIES (folders or logs), as CSV to fill in."""
    from pipeline.orchestrate.skeletons import skeletons as write
    from pipeline.settings import load_settings

    written = write(deliveries, directory, load_settings(settings_file).ingest)
    base.say(
        "Fill in the blank columns, then put them into the delivery:\n"
        + "\n".join(f"  {path}" for path in written)
    )

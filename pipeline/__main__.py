"""Where the command begins, also as `python -m pipeline`: before anything large is read in."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line; one who stops it while it still reads its libraries in gets a word, not a traceback."""
    try:
        from pipeline.cli import main as command  # noqa: PLC0415 -- the import is what may be stopped
    except KeyboardInterrupt:
        sys.stderr.write("whichside: stopped\n")
        sys.exit(130)  # as pipeline.cli.base.STOPPED, which is not read in yet
    command()


if __name__ == "__main__":
    main()

"""Which files an entry is of: globs as a shell reads them, seen from the mapping's folder, and the station in a name."""

from __future__ import annotations

import pytest

from pipeline.doorway.entries import station_in_name
from pipeline.doorway.mapping import Mapping, parse


@pytest.mark.parametrize(
    ("glob", "file", "station"),
    [
        ("server*.log", "yard/server.log", ""),
        ("server*.log", "yard/server-2.log.gz", ""),
        ("server*.log.gz", "yard/server-2.log.gz", ""),
        ("server?.log", "yard/server.log", None),
        ("server[1-3].log", "yard/server2.log", ""),
        ("server[1-3].log", "yard/server4.log", None),
        ("server[!1-3].log", "yard/server4.log", ""),
        ("server[!1-3].log", "yard/server2.log", None),
        ("server[^x].log", "yard/server^.log", ""),
        ("server[^x].log", "yard/servery.log", None),
        ("server[.log", "yard/server[.log", ""),
        ("server(1)+.log", "yard/server(1)+.log", ""),
        ("*.log", "other/server.log", None),
        ("*.log", "yard/deeper/server.log", None),
        ("*/server.log", "yard/deeper/server.log", ""),
        ("{station_id}/day.log", "yard/S-7/day.log", "S-7"),
        ("{station_id}/{station_id}-1.log", "yard/S-7/S-7-1.log", "S-7"),
        ("{station_id}/{station_id}-1.log", "yard/S-7/S-8-1.log", None),
        ("{station_id}-{station_id}.log", "yard/S7-S7.log", "S7"),
        ("{station_id}-{station_id}.log", "yard/S7-S8.log", None),
    ],
)
def test_a_glob_is_read_as_a_shell_reads_it(glob: str, file: str, station: str | None) -> None:
    """*, ?, [..] and [!..] within one part of the path (POSIX 2.13.3, from memory); a packed file by its name with or without
    its ending; what stands at `{station_id}` is the same throughout.
    """
    assert station_in_name(glob, "yard", file) == station


def test_what_is_wrong_with_an_entry_is_told_at_its_line() -> None:
    """Each fault in the order of the lines, the first one's line before all, the file's glob, the keys there are and the one near."""
    good = "frames:\n  - file: b.log\n    line: '{at} {station_id} {dir} {frame}'\n    in: [a]\n    out: [b]\n    timezone: UTC\n"
    told = parse(
        good
        + "  - file: a.log\n    line: '{at} {frame}'\n    timezon: UTC\n    timezone: Nowhere/Town\n"
    )
    assert isinstance(told, Mapping), told
    [wrong] = told.wrong
    assert (wrong.name, wrong.line, wrong.file) == ("frames.1", 9, "a.log")
    assert wrong.message.startswith("frames.1.timezon: no such key here; keys are file, ")
    assert wrong.message.count("(meant: timezone?)") == 1
    assert "; (line 10) frames.1.timezone: 'Nowhere/Town' is not an IANA time zone" in wrong.message
    assert "at_line" not in wrong.message

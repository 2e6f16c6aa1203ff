"""Entries of a mapping: which files each is of (globs as a shell reads them, the station in a name), and what is refused."""

from __future__ import annotations

import re
from encodings.aliases import aliases

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
        ("server[]x].log", "yard/server].log", ""),
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


def one(keys: str) -> Mapping | str:
    """A mapping whose one entry has these keys besides its pattern."""
    return parse(
        "frames:\n  - line: '{at} {station_id} {dir} {frame}'\n    in: [a]\n    out: [b]\n    "
        + keys
    )


def test_entries_stand_in_the_order_of_the_file() -> None:
    """The first that covers a file serves it, whichever section it stands in."""
    export = (
        "exports:\n  - file: a.csv\n    columns: {evse_id: e, plugged_at: s, unplugged_at: u, energy_kwh: k}\n"
        "    energy_unit: kWh\n    timezone: UTC\n"
    )
    frames = "frames:\n  - file: b.log\n    line: '{at} {station_id} {dir} {frame}'\n    in: [a]\n    out: [b]\n"
    for text, files in (
        (export + frames, ["a.csv", "b.log"]),
        (frames + export, ["b.log", "a.csv"]),
    ):
        read = parse(text)
        assert isinstance(read, Mapping), read
        assert [entry.file for entry in read.entries] == files


NO_TEXT_OF_FILES = {
    "base64_codec", "bz2_codec", "hex_codec", "quopri_codec", "rot_13", "uu_codec", "zlib_codec", "utf_7", "mbcs", "idna", "punycode",
    "unicode_escape", "raw_unicode_escape", "undefined", "charmap",
}  # fmt: skip


@pytest.mark.parametrize("encoding", sorted({*aliases.values(), *NO_TEXT_OF_FILES, "utf_8_sig", "windows-1251", "mac-roman"}))  # fmt: skip
def test_encodings_of_text_files_are_known(encoding: str) -> None:
    """Every standard encoding of Python's documentation but those no file is written in (published); each reads back what it writes."""
    read = one(f"file: a.log\n    encoding: {encoding}\n")
    if encoding in NO_TEXT_OF_FILES:
        assert isinstance(read, str)
        assert f"{encoding!r} is no text encoding" in read
        return
    assert isinstance(read, Mapping), read
    assert "yard 7".encode(read.frames[0].encoding).decode(encoding) == "yard 7"


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ("file: a.log\n    encoding: rot13\n", "no text encoding of files"),
        ("file: a.log\n    encoding: idna\n", "no text encoding of files"),
        ("file: a.log\n    encoding: klingon\n", "no text encoding known here"),
        ("file: a.log\n    delimiter: ''\n", "delimiter: "),
        ("file: a.log\n    delimiter: ';;'\n", "delimiter: "),
        ("file: ''\n", "frames.0.file: "),
        ("timezone: UTC\n", "frames.0.file: missing, and needed"),
    ],
)
def test_what_no_file_can_be_read_by_is_refused(keys: str, said: str) -> None:
    """What is no text encoding, a delimiter of none or two signs, an entry of no file: said with its key and line."""
    told = one(keys)
    assert isinstance(told, str), told
    assert said in told
    assert told.startswith("line ")


def test_several_wrong_entries_are_told_in_order_each_at_its_line() -> None:
    """Nothing of the mapping can be used: every fault in the order of the file; a mapping without an entry says that."""
    told = parse("exports:\n  - file: a.csv\n    colums: {}\nframes:\n  - file: ''\n")
    assert isinstance(told, str)
    assert re.findall(r"line (\d): (?:exports|frames)\.0", told) == ["2", "5"]
    assert "; keys are " in told
    assert "colums: no such key here" in told
    assert " (meant: columns?)" in told
    assert parse("frames: []\n") == "line 1: frames: and exports: hold no entry"


def test_a_section_or_an_entry_of_another_shape_does_not_stop_the_rest() -> None:
    """A section that is no list, entries that are no keys: each told at its line with what was expected; what can be used is."""
    good = "  - file: a.csv\n    columns: {evse_id: e, plugged_at: s}\n    timezone: UTC\n"
    told = parse(f"frames: all\nexports:\n  - a.csv\n  - [b.csv]\n{good}colums: {{}}\nframe: 1\n")
    assert isinstance(told, Mapping), told
    assert [entry.file for entry in told.entries] == ["a.csv"]
    shape = "an entry is a set of keys, beginning with 'file:'"
    assert [(w.name, w.line, w.file, w.message) for w in told.wrong] == [
        ("frames", 1, None, "frames: a list of entries is expected, each beginning with '- file:'"),
        ("exports.0", 3, None, f"exports.0: {shape}"),
        ("exports.1", 4, None, f"exports.1: {shape}"),
        ("colums", 8, None, "colums: not a key of a mapping; its keys are frames, exports"),
        ("frame", 9, None, "frame: not a key of a mapping; its keys are frames, exports (meant: frames?)"),
    ]  # fmt: skip


def test_an_entry_tells_what_was_found() -> None:
    """A word that is not expected is shown, once; a glob that is no text is none."""
    told = parse(
        "frames:\n  - file: [a.log]\n    line: '{at} {station_id} {frame}'\n    version: '3'\n"
    )
    assert told == (
        "line 2: frames.0.file: Input should be a valid string; (line 4) frames.0.version: Input should be 'from_frame', '1.6' or "
        "'2.0.1' (found '3')"
    )
    good = "  - file: b.log\n    line: '{at} {station_id} {frame}'\n"
    read = parse("frames:\n  - file: [a.log]\n    line: '{at} {station_id} {frame}'\n" + good)
    assert isinstance(read, Mapping)
    assert [w.file for w in read.wrong] == [None]
    zone = parse(
        "frames:\n  - file: a.log\n    line: '{at} {station_id} {frame}'\n    timezone: Mars\n"
    )
    assert zone == "line 4: frames.0.timezone: 'Mars' is not an IANA time zone, like Europe/Oslo"
    assert parse("- a\n- b\n") == "line 1: a mapping has the keys frames: and exports:"

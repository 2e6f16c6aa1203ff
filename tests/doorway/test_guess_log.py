"""The pattern of a text log is read off its lines; the entry around it says what the lines do not."""

from __future__ import annotations

import pytest

from pipeline.doorway import times
from pipeline.doorway.guess.entry import guess_entry
from pipeline.doorway.guess.log import LogGuess, guess_log


def log(
    line: str, into: str = "<-", out: str = "->", stations: tuple[str, ...] = ("CP-1", "CP-2"), ends: str = "",
) -> list[str]:  # fmt: skip
    """Calls and answers of stations by turns, `line` filled in: {t} a time, {s} a station, {d} a direction, {f} a frame, {n} a number."""
    made = []
    for i in range(24):
        frame = f'[2,"{i}","Heartbeat",{{}}]' if i % 2 == 0 else f'[3,"{i - 1}",{{}}]'
        made.append(
            line.format(
                t=f"2026-03-02 10:00:{i:02d}", s=stations[i // 2 % len(stations)], d=out if i % 2 else into, n=i,
                f=frame.removesuffix(ends) if ends else frame,
            )
        )  # fmt: skip
    return made


def found(lines: list[str]) -> LogGuess:
    """The guess, which must be there."""
    told = guess_log(lines)
    assert told is not None
    return told


@pytest.mark.parametrize(
    ("line", "pattern"),
    [
        ("{t} {s} {d} {f}", "{at} {station_id} {dir} {frame}"),
        ("{d} {s} {f} {t}", "{dir} {station_id} {frame} {at}"),
        ("[{t}] ({s}) {d}: {f}", "[{at}] ({station_id}) {dir}: {frame}"),
        ("{t};{s};{d};{f}", "{at};{station_id};{dir};{frame}"),
        ("{t} INFO ws://host/ocpp/{s} {d} {f}", "{at} INFO ws://host/ocpp/{station_id} {dir} {frame}"),
        ("{t} id={s} {d} {f}", "{at} id={station_id} {dir} {frame}"),
        ("{t} {n} {s} {d} {f}", "{at} {*} {station_id} {dir} {frame}"),
        ("{t} job{n} {s} {d} {f} took {n} ms", "{at} {*} {station_id} {dir} {frame} took {*} ms"),
        ("{t} {{{n}}} {s} {d} {f}", "{at} {{{*}}} {station_id} {dir} {frame}"),
        ('{t} "{s}" {d} {f}', '{at} "{station_id}" {dir} {frame}'),
        ("{t} {s} {d} {f} {{at}}", "{at} {station_id} {dir} {frame} {at}"),
        ("{t}   {s}\t{d} {f}", "{at} {station_id} {dir} {frame}"),
        ("\x1b[32m{t}\x1b[0m {s} {d} {f}", "{at} {station_id} {dir} {frame}"),
    ],
    ids=["plain", "time last", "brackets", "semicolons", "a path", "a key", "a number", "numbers", "braces", "quotes", "a word like a part",
         "blanks", "colours"],
)  # fmt: skip
def test_a_log_s_line_is_its_pattern(line: str, pattern: str) -> None:
    """What differs from line to line is a part or left open; all else stays as it stands."""
    told = found(log(line))
    assert told.line == pattern
    assert (told.time_format, told.more) == (times.ISO, None)
    assert (told.into, told.out, told.stations) == (("<-",), ("->",), ("CP-1", "CP-2"))


@pytest.mark.parametrize(
    ("into", "out"),
    [("recv", "send"), ("received from", "sent to"), ("in:", "out:"), (">>", "<<"), ("From", "To")],
)
def test_words_of_a_way(into: str, out: str) -> None:
    """What stands in lines of one way and in none of the other, one word or several, or an arrow."""
    told = found(log("{t} {s} {d} {f}", into, out))
    assert (told.into, told.out) == ((into.removesuffix(":"),), (out.removesuffix(":"),))
    assert told.line.startswith("{at} {station_id} {dir}")


def test_words_that_do_not_go_with_the_way_tell_none() -> None:
    """The same word for both, or a word of a way in half of its lines only: the action tells the way."""
    told = found(log("{t} {s} {d} {f}", "ws", "ws"))
    assert (told.line, told.into, told.out) == ("{at} {station_id} ws {frame}", (), ())
    half = [
        line.replace("<-", "ws").replace("->", "ws") if i % 4 < 2 else line
        for i, line in enumerate(log("{t} {s} {d} {f}"))
    ]
    assert (found(half).into, found(half).out) == ((), ())
    calls = [line for line in log("{t} {s} {d} {f}") if "[2" in line]
    assert (found(calls).into, found(calls).out) == ((), ())


def test_two_words_of_one_way() -> None:
    """Both are listed, the one met more first."""
    lines = [
        line.replace("->", "=>") if i % 8 == 7 else line
        for i, line in enumerate(log("{t} {s} {d} {f}"))
    ]
    assert (found(lines).into, found(lines).out) == (("<-",), ("->", "=>"))


def test_frames_that_go_on_below() -> None:
    """Where a fifth of the frames and more do not end on their line, the lines below have the pattern with any word for the way."""
    cut = log("{t} {s} {d} {f}", ends="{}]")
    assert found(cut).line == "{at} {station_id} {dir} {frame}"
    assert found(cut).more == "{at} {station_id} {*} {frame}"
    whole = log("{t} {s} {d} {f}")
    assert found([*cut[:4], *whole[4:]]).more is None
    assert found([*cut[:5], *whole[5:]]).more == "{at} {station_id} {*} {frame}"


def test_a_log_of_one_station_or_none() -> None:
    """A word of one value is a station's where it looks like one; a level of the log, or a plain word, never is."""
    assert found(log("{t} {s} {d} {f}", stations=("CP-1",))).stations == ("CP-1",)
    assert found(log("{t} yard {d} {f}")).line == "{at} yard {dir} {frame}"
    assert found(log("{t} INFO {d} {f}")).line == "{at} INFO {dir} {frame}"
    assert found(log("{t} {d} {f}")).stations == ()


def test_what_all_ids_begin_with_up_to_a_sign_is_no_part_of_them() -> None:
    """A key or a path before the id; a hyphen is part of it."""
    assert found(log("{t} box:{s} {d} {f}")).line == "{at} box:{station_id} {dir} {frame}"
    assert found(log("{t} a/b:{s} {d} {f}")).stations == ("CP-1", "CP-2")
    assert found(log("{t} {s} {d} {f}", stations=("CP/1", "CP/2"))).stations == ("1", "2")


def test_a_time_stands_in_nine_lines_of_ten() -> None:
    """Else the payload's own is taken; the longest format that fits is the time's."""
    lines = log("{t} {s} {d} {f}")
    some = [line.replace("2026-03-02 10:00:", "tick ") if i < 2 else line for i, line in enumerate(lines)]  # fmt: skip
    assert found(some).time_format == times.ISO
    few = [line.replace("2026-03-02 10:00:", "tick ") if i < 3 else line for i, line in enumerate(lines)]  # fmt: skip
    assert found(few).time_format is None
    zoned = [line.replace(" CP", "+01:00 CP") for line in lines]
    assert found(zoned).line == "{at} {station_id} {dir} {frame}"
    digits = log("port 1772445600 {t} {s} {d} {f}")
    assert found(digits).line == "port 1772445600 {at} {station_id} {dir} {frame}"


MISSING_ZONE = (
    "timezone, if its times are not in the zone of the site (evses.csv) and carry no offset"
)
MISSING_ORDER = (
    "which comes first, day or month: '%m/%d/%Y %H:%M:%S' is a guess, as all its times fit both"
)


def entry_of(lines: list[str], name: str = "day-1.log") -> tuple[str, tuple[str, ...]]:
    """The entry's text and what a person must still say."""
    told = guess_entry(name, "\n".join(lines))
    assert told is not None
    return told.mapping, told.missing


def test_the_entry_says_what_a_person_must_still_say() -> None:
    """The order of day and month where both would do, the zone where the times have none, nothing where all is told."""
    lines = log("{t} {s} {d} {f}")
    both = [line.replace("2026-03-02", "02/03/2026") for line in lines]
    made, missing = entry_of(both)
    assert '    time_format: "%m/%d/%Y %H:%M:%S"\n' in made
    assert missing == (MISSING_ORDER, MISSING_ZONE)
    told = [line.replace("2026-03-02", "23/03/2026") for line in lines]
    made, missing = entry_of(told)
    assert '    time_format: "%d/%m/%Y %H:%M:%S"\n' in made
    assert missing == (MISSING_ZONE,)
    zoned = [line.replace("2026-03-02", "02/Mar/2026").replace(" CP", " +0100 CP") for line in lines]  # fmt: skip
    made, missing = entry_of(zoned)
    assert '    time_format: "%d/%b/%Y %H:%M:%S %z"\n' in made
    assert missing == ()
    epoch = [line.replace("2026-03-02 10:00:", "17724456") for line in lines]
    made, missing = entry_of(epoch)
    assert '    time_format: "epoch_s"\n' in made
    assert missing == ()
    made, missing = entry_of(log("{s} {d} {f}"))
    assert "    time_format: payload\n" in made
    assert missing == ()


def test_the_entry_of_a_log_in_full() -> None:
    """The file's numbers left open, the lines below a frame, the words of the way."""
    made, _ = entry_of(log("{t} {s} {d} {f}", ends="{}]"))
    assert made == (
        'frames:\n  - file: "day-*.log"\n    line: \'{at} {station_id} {dir} {frame}\'\n    more: \'{at} {station_id} {*} {frame}\'\n'
        '    in: ["<-"]\n    out: ["->"]\n'
    )  # fmt: skip
    assert entry_of(log("{t} it's {s} {f}"))[0].endswith("line: '{at} it''s {station_id} {frame}'\n")  # fmt: skip

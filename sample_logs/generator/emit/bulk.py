"""A frames file as large as wished, for benches: a busy central system's log, mostly MeterValues.

One block of varied frames is made once; copies of it follow each other with other ids and later
times, so the writer is limited by the disk and no line repeats another.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

START = datetime(2026, 3, 2, tzinfo=UTC)
STATIONS = 40
BLOCK_TRANSACTIONS = 400
READINGS = 14
DAY_MARK, COPY_MARK = b"@DAY@", b"@C@"


def _reading(rng: np.random.Generator, wh: int, stamp: str, connector: int, tx: str) -> str:
    """A MeterValues call of a three-phase station."""
    power = int(rng.integers(3000, 11000))
    amps = [f"{power / 690 + x:.1f}" for x in rng.normal(0, 0.2, 3)]
    volts = [f"{229 + x:.1f}" for x in rng.normal(0, 1.0, 3)]
    sampled = [
        f'{{"value":"{wh}","context":"Sample.Periodic","measurand":"Energy.Active.Import.Register","unit":"Wh"}}',
        f'{{"value":"{power}","context":"Sample.Periodic","measurand":"Power.Active.Import","unit":"W"}}',
    ]
    for phase, (a, v) in enumerate(zip(amps, volts, strict=True), start=1):
        sampled.append(
            f'{{"value":"{a}","measurand":"Current.Import","phase":"L{phase}","unit":"A"}}'
        )
        sampled.append(f'{{"value":"{v}","measurand":"Voltage","phase":"L{phase}-N","unit":"V"}}')
    values = ",".join(sampled)
    return (
        f'"MeterValues",{{"connectorId":{connector},"transactionId":{tx},'
        f'"meterValue":[{{"timestamp":"{stamp}","sampledValue":[{values}]}}]}}'
    )


def _calls(
    rng: np.random.Generator, tx: int, stamp: list[str], connector: int
) -> list[tuple[str, str]]:
    """One transaction's calls with their answers' payloads.

    The copy's number leads the transaction id.
    """
    wh, name = int(rng.integers(10_000, 4_000_000)), f"1@C@{tx:05d}"
    card = f"CARD{int(rng.integers(10_000, 99_999)):06d}"

    def status(word: str, at: str) -> tuple[str, str]:
        body = f'{{"connectorId":{connector},"errorCode":"NoError","status":"{word}","timestamp":"{at}"}}'
        return f'"StatusNotification",{body}', "{}"

    accepted = '{"idTagInfo":{"status":"Accepted"}}'
    start = (
        f'{{"connectorId":{connector},"idTag":"{card}","meterStart":{wh},"timestamp":"{stamp[2]}"}}'
    )
    out = [
        status("Preparing", stamp[0]),
        (f'"Authorize",{{"idTag":"{card}"}}', accepted),
        (
            f'"StartTransaction",{start}',
            f'{{"idTagInfo":{{"status":"Accepted"}},"transactionId":{name}}}',
        ),
        status("Charging", stamp[3]),
    ]
    for k in range(READINGS):
        wh += int(rng.integers(50, 180))
        out.append((_reading(rng, wh, stamp[4 + k], connector, name), "{}"))
    stop = f'{{"transactionId":{name},"meterStop":{wh},"timestamp":"{stamp[-3]}","reason":"Local"}}'
    return [
        *out,
        (f'"StopTransaction",{stop}', accepted),
        status("Finishing", stamp[-2]),
        status("Available", stamp[-1]),
    ]


def _block(rng: np.random.Generator) -> bytes:
    """Frames of one day in order of time, with marks where copies differ."""
    rows: list[tuple[float, str]] = []
    steps = READINGS + 7
    for tx in range(BLOCK_TRANSACTIONS):
        station, connector = f"S{tx % STATIONS:04d}", tx // STATIONS % 2 + 1
        begin = (tx // (2 * STATIONS)) * 17_000.0 + float(rng.uniform(0, 1000))
        after = np.r_[
            0,
            9,
            11,
            15,
            900 * np.arange(1, READINGS + 1),
            900 * READINGS + np.array([400, 402, 600]),
        ]
        times = begin + after[:steps]
        stamps = [_clock(t) for t in times]
        for k, (call, answer) in enumerate(_calls(rng, tx, stamps, connector)):
            at, message = times[k] + 0.12, f"@C@-{tx}-{k}"
            head = f'"station_id":"{station}","dir"'
            rows.append(
                (
                    at,
                    f'{{"at":"{_clock(at)}",{head}:"in","version":"1.6","frame":[2,"{message}",{call}]}}',
                )
            )
            rows.append(
                (
                    at,
                    f'{{"at":"{_clock(at + 0.03)}",{head}:"out","version":"1.6","frame":[3,"{message}",{answer}]}}',
                )
            )
    rows.sort(key=lambda row: row[0])
    return "".join(line + "\n" for _, line in rows).encode()


def _clock(second: float) -> str:
    """A time of the block's day; the date is filled in by the copy."""
    return f"@DAY@T{int(second // 3600):02d}:{int(second // 60 % 60):02d}:{second % 60:06.3f}Z"


def simulate_frames(path: Path, gigabytes: float, seed: int) -> int:
    """Write about `gigabytes` (1e9 bytes) of frames to `path`; return the bytes written.

    A day's copies go to different groups of stations; then the next day begins.
    """
    block = _block(np.random.default_rng([seed, 77]))
    wanted, written, copy = int(gigabytes * 1e9), 0, 0
    with Path(path).open("wb") as out:
        while written < wanted:
            day, group = divmod(copy, 10)
            date = (START + timedelta(days=day)).date().isoformat().encode()
            part = block.replace(DAY_MARK, date).replace(COPY_MARK, b"%d" % copy)
            part = part.replace(b'"station_id":"S', b'"station_id":"S%d' % group)
            written += out.write(part)
            copy += 1
    return written

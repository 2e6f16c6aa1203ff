"""A station's own log: its times are its clock's, put right by the central clock's answers in it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from pipeline.ingest import ingest_delivery
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import query, writing

MAPPING = """frames:
  - file: "unit_{station_id}.log"
    line: "{at} {dir} {frame}"
    written_by: station
    time_format: "%Y-%m-%d %H:%M:%S"
    timezone: UTC
    in: "->"
    out: "<-"
"""
TRUE = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
STATUS = '[2,"3","StatusNotification",{"connectorId":1,"errorCode":"NoError","status":"Available"}]'


def test_a_clock_set_by_the_first_answer(tmp_path: Path) -> None:
    """A station that boots in 1970 and sets its clock by the answer: lines before and after lie within seconds of the true time.

    Derived: the answer tells the central time at its own line; the clock runs right after it was set.
    """
    cold = datetime(1970, 1, 1, 0, 0, 30, tzinfo=UTC)
    says = [
        (cold, "->", '[2,"1","BootNotification",{"chargePointModel":"M","chargePointVendor":"V"}]'),
        (cold + timedelta(seconds=1), "<-", '[3,"1",{"status":"Accepted","interval":60,"currentTime":"2026-03-02T10:00:01Z"}]'),
        (TRUE + timedelta(seconds=5), "->", '[2,"2","Heartbeat",{}]'),
        (TRUE + timedelta(seconds=6), "<-", '[3,"2",{"currentTime":"2026-03-02T10:00:06Z"}]'),
        (TRUE + timedelta(seconds=9), "->", STATUS),
    ]  # fmt: skip
    delivery = tmp_path / "d"
    delivery.mkdir()
    (delivery / "mapping.yaml").write_text(MAPPING)
    (delivery / "unit_ST9.log").write_text(
        "".join(f"{at:%Y-%m-%d %H:%M:%S} {way} {frame}\n" for at, way, frame in says)
    )
    with writing(tmp_path / "w.duckdb") as con:
        ingest_delivery(con, delivery, IngestSettings())
        told = query(con, "SELECT station_id, receiver_at_utc FROM raw_frame ORDER BY line").rows()
    assert [station for station, _ in told] == ["ST9"] * 5
    assert [at for _, at in told] == [TRUE + timedelta(seconds=s) for s in (0, 1, 5, 6, 9)]

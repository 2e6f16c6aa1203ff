"""Whether a vehicle's EVSEs were recorded when none saw it, by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.refer.suspects.recorded import ELSEWHERE, recorded_share

UTC_US = pl.Datetime("us", "UTC")
AT = datetime(2026, 3, 2, tzinfo=UTC)
HOUR = timedelta(hours=1)


def visits(*rows: tuple[str, str | None, float, bool]) -> pl.DataFrame:
    """Vehicle, EVSE, hour, whether nobody saw it."""
    frame = pl.DataFrame(rows, schema=["vehicle_id", "evse_id", "hour", "silent"], orient="row")
    at = pl.lit(AT).cast(UTC_US) + pl.duration(hours=pl.col("hour"))
    return frame.with_columns(pl.col("evse_id").cast(pl.String), plugged_at_utc=at).drop("hour")


def log(evse: str, *hours: int, source: str = "ocpp16") -> pl.DataFrame:
    """What an EVSE recorded of anybody."""
    frame = pl.DataFrame({"evse_id": [evse] * len(hours), "source": [source] * len(hours)})
    return frame.with_columns(
        plugged_at_utc=pl.Series([AT + h * HOUR for h in hours], dtype=UTC_US)
    )


SEEN = [("V", "E1", 5.0, False)] * 3 + [("V", "E2", 6.0, False)]
HOME, OTHER = 3 / (4 + ELSEWHERE), 1 / (4 + ELSEWHERE)


def at(hour: float, attempts: pl.DataFrame) -> float | None:
    """`recorded` of a visit of V in that hour which nobody saw."""
    rows = recorded_share(visits(*SEEN, ("V", None, hour, True)), attempts)
    assert rows.height == len(SEEN) + 1
    share = rows.filter("silent")["recorded"].item()
    return None if share is None else float(share)


@pytest.mark.parametrize(
    ("hour", "share"),
    [(50.0, HOME + OTHER), (100.0, HOME), (200.0, 0.0), (-1.0, 0.0)],
    ids=["both", "one", "a gap in both", "before any log"],
)
def test_it_is_the_share_of_visits_to_evses_that_told_of_others_around(
    hour: float, share: float
) -> None:
    """Derived: E1 tells every ten hours until hour 150, E2 until hour 60; then nothing for a week. Visits elsewhere count one."""
    attempts = pl.concat([log("E1", *range(0, 160, 10), 400), log("E2", *range(0, 70, 10), 400)])
    assert at(hour, attempts) == pytest.approx(share)


def test_exports_do_not_tell_that_a_failure_would_have_been_recorded() -> None:
    """Who failed before a session began is in no export; what only vehicles told is no log either."""
    for source in ("export", "telematics"):
        assert at(50.0, log("E1", *range(0, 160, 10), source=source)) == 0.0


def test_a_vehicle_nobody_ever_saw_has_no_evses_to_ask() -> None:
    """Null: nothing speaks for or against its EVSEs' logs."""
    rows = recorded_share(visits(("V", None, 50.0, True)), log("E1", *range(0, 160, 10)))
    assert rows["recorded"].to_list() == [None]

"""Which result answers which call: one rule, the same as polars and as SQL."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta

import duckdb
import polars as pl
import pytest

from pipeline.ocpp.pairing import ANSWERS_SQL, NEAREST_SQL, call_of

T0 = datetime(2026, 3, 2, tzinfo=UTC)
SCHEMA = {
    "station_id": pl.String(),
    "message_id": pl.String(),
    "direction": pl.String(),
    "receiver_at_utc": pl.Datetime("us", "UTC"),
}


def frames(direction: str, *seconds: float) -> pl.DataFrame:
    """Calls or answers of one id at these seconds."""
    rows = [("st", "1", direction, T0 + timedelta(seconds=s)) for s in seconds]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


@pytest.mark.parametrize(
    ("called", "answered", "want"),
    [
        ([0], 0.2, 0),
        ([0], -1, 0),
        ([0], -1.1, None),
        ([0], 86_399, 0),
        ([0], 86_400, None),
        ([0, 3600], 3600.2, 1),
        ([0, 3600], 0.2, 0),
        ([5, 5], 6, 0),
        ([0, 1.5], 1, 0),
    ],
    ids=["soon", "a second early", "earlier", "within a day", "a day later", "id used again", "before it is",
         "of equals the first", "sent again as it came"],
)  # fmt: skip
@pytest.mark.parametrize("way", [("out", "in"), ("in", "out")], ids=["centre", "station"])
def test_an_answer_belongs_to_the_latest_call_before_it(
    called: list[float], answered: float, want: int | None, way: tuple[str, str]
) -> None:
    """Ids are counted again after a restart; the receiver may note an answer a second early (practice)."""
    answers, calls = frames(way[0], answered), frames(way[1], *called)
    wanted = [] if want is None else [want]
    assert call_of(answers, calls)["call"].to_list() == wanted
    assert [call for _, call in by_sql(answers.with_row_index("n"), calls)] == wanted
    assert call_of(answers, frames(way[0], *called)).is_empty(), "nobody answers himself"


def test_an_answer_noted_early_belongs_to_the_first_call_after_it() -> None:
    """Of two calls within the second the nearer; which was read first does not count."""
    found = call_of(frames("out", 0), frames("in", 0.8, 0.3))
    assert found["call"].to_list() == [1]


def by_sql(answers: pl.DataFrame, calls: pl.DataFrame) -> list[tuple[int, int]]:
    """`n` of the answers and the call each answers, by the rule as SQL."""
    con = duckdb.connect()
    con.execute("SET TimeZone = 'UTC'")
    con.register("c", calls.with_row_index("call").to_arrow())
    con.register("a", answers.to_arrow())
    best = f"arg_max(call, {{{NEAREST_SQL}, 'first': -call::BIGINT}})"
    query = f"SELECT n, {best} FROM a JOIN c ON {ANSWERS_SQL} GROUP BY n ORDER BY n"
    return con.sql(query).fetchall()


def test_the_rule_is_the_same_in_sql() -> None:
    """On 400 calls and answers of ten ids at random times over two days, each answer's call is the same."""
    rng = random.Random(7)  # noqa: S311

    def made(direction: str) -> pl.DataFrame:
        rows = [
            (rng.choice("ab"), str(rng.randrange(5)), direction, T0 + timedelta(seconds=rng.randrange(172_800)))
            for _ in range(400)
        ]  # fmt: skip
        return pl.DataFrame(rows, schema=SCHEMA, orient="row")

    calls, answers = made("in"), made("out").with_row_index("n")
    told = by_sql(answers, calls)
    assert call_of(answers, calls).sort("n").select("n", "call").rows() == told
    assert len(told) > 100

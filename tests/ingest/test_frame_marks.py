"""Repeats and partners of typed frames, found by numbers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.ingest.frame_marks import (
    NO_CALLS,
    REUSE_S,
    actions,
    left_out,
    pairs,
    repeated,
    unanswered,
)
from pipeline.ocpp.pairing import call_of

T0 = datetime(2026, 3, 2, tzinfo=UTC)
# id, whether it goes in, kind, seconds: few ids and times, so that many are the same
FRAME = st.tuples(
    st.integers(0, 3),
    st.booleans(),
    st.integers(2, 4),
    st.sampled_from([0, 0.5, 1, 2, 700, 86_400, 86_401]),
)


def rows(*frames: tuple[int, bool, int, float], keys: list[int] | None = None) -> pl.DataFrame:
    """Typed frames in the order of their lines."""
    return pl.DataFrame(
        {
            "line": range(1, len(frames) + 1),
            "marked_id": [2 * name + way for name, way, _, _ in frames],
            "frame_key": keys or range(len(frames)),
            "message_type": [kind for _, _, kind, _ in frames],
            "receiver_at_utc": [T0 + timedelta(seconds=s) for *_, s in frames],
            "station_at_utc": [None] * len(frames),
            "central_at_utc": [None] * len(frames),
            "action": [f"A{i}" if kind == 2 else None for i, (_, _, kind, _) in enumerate(frames)],
        },
        schema_overrides={"receiver_at_utc": pl.Datetime("us", "UTC"), "action": pl.String},
    ).with_row_index("place")


@settings(max_examples=60)
@given(st.lists(FRAME, min_size=1, max_size=30), st.integers(0, 30))
def test_pairs_are_those_of_the_rule(frames: list[tuple[int, bool, int, float]], cut: int) -> None:
    """Whatever ids are used again, each answer has the call that `ocpp.pairing` says, those carried along among them."""
    whole = rows(*frames)
    named = whole.with_columns(
        station_id=pl.lit("S"), message_id=pl.col("marked_id") // 2,
        direction=pl.when(pl.col("marked_id") % 2 == 1).then(pl.lit("in")).otherwise(pl.lit("out")),
    )  # fmt: skip
    calls, answers = (
        named.filter(pl.col("message_type") == 2),
        named.filter(pl.col("message_type") > 2),
    )
    rule = call_of(answers, calls)
    wanted = dict(zip(rule["line"], calls["action"].gather(rule["call"]), strict=True))

    here = whole.with_columns(line=pl.col("line") + 100)
    carried = calls.select(*NO_CALLS.columns).head(cut)
    left = here.filter(~pl.col("action").is_in(carried["action"].implode()).fill_null(value=False))
    left = left.drop("place").with_row_index("place")
    found = pairs(left, carried)
    assert {left["line"][row["place"]] - 100: row["action"] for row in found.to_dicts()} == wanted
    told = actions(left, found)
    assert {
        line - 100: action
        for line, action, kind in zip(left["line"], told, left["message_type"], strict=True)
        if kind > 2 and action
    } == wanted
    answered = {row["call"] for row in found.to_dicts()}
    waiting = [
        line
        for place, line, kind in left.select("place", "line", "message_type").rows()
        if kind == 2 and place not in answered
    ]
    assert unanswered(left, found)["line"].to_list() == waiting


def test_the_earlier_line_is_no_repeat_whatever_the_order() -> None:
    """Of frames with one key the one with the lowest line counts; a key the warehouse knows is a repeat."""
    found = rows(*[(1, True, 2, 0)] * 4, keys=[7, 8, 7, 9])
    turned = found.reverse()
    assert repeated(found, pl.Series([], dtype=pl.Int64)).tolist() == [False, False, True, False]
    assert repeated(turned, pl.Series([9])).tolist() == [True, True, False, False]


def test_a_repeated_answer_to_a_new_call_is_kept_unless_a_new_one_is_near() -> None:
    """Without a time of its own, its call new: kept; with a new frame of its id and direction within the span: left out."""
    call, answer = (5, True, 2, 1000.0), (5, False, 3, 1000.5)

    def out(near_s: float) -> list[bool]:
        other = (5, False, 4, 1000.5 + near_s)
        found = rows(call, answer, other)
        again = np.array([False, True, False])
        paired = pl.DataFrame(
            {"place": [1], "call": [0], "action": ["A0"]}, schema_overrides={"call": pl.UInt32}
        )
        return left_out(found, again, paired).tolist()

    assert out(REUSE_S) == [False, False, False]
    assert out(REUSE_S - 0.5) == [False, True, False]
    assert out(-REUSE_S) == [False, False, False]

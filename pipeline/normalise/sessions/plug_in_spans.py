"""Plug-ins: from each source the spans in which a vehicle was plugged in, then one set of spans an
EVSE.

An event says at a time whether a vehicle is there: plug 1 yes, -1 no, 0 does not say. The pilot says
it best (leaving state A to returning there), then the messages of the station, then
finished-session exports.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.core.overlap import meeting


def spans(events: pl.DataFrame, silence: timedelta) -> pl.DataFrame:
    """One row a plug-in of one source: `evse_id, from_utc, to_utc` (null: broken off), `seen_utc,
    error_s, began, ended, source`.

    `sudden`: the source had said nothing of the EVSE before, so that its first record may not be
    the plug-in.
    """
    ordered = events.sort("evse_id", "at_utc", "order", "line", "file_id", maintain_order=True)
    said = pl.when(pl.col("plug") != 0).then(pl.col("plug")).forward_fill().over("evse_id")
    ordered = ordered.with_columns(said=said).with_columns(
        before=pl.col("said").shift(1).over("evse_id"),
        silent=(pl.col("at_utc") - pl.col("at_utc").shift(1).over("evse_id")) > silence,
    )
    begins = (pl.col("plug") == 1) & (
        (pl.col("before") != 1) | pl.col("before").is_null() | pl.col("split") | pl.col("silent")
    )
    numbered = ordered.with_columns(
        number=begins.fill_null(value=False).cum_sum().over("evse_id")
    ).filter(pl.col("number") > 0)
    off = pl.col("plug") == -1
    return (
        numbered.group_by("evse_id", "number", maintain_order=True)
        .agg(
            from_utc=pl.col("at_utc").first(),
            to_utc=pl.col("at_utc").filter(off).first(),
            seen_utc=pl.col("at_utc").filter(pl.col("said") == 1).last(),
            error_s=pl.col("clock_error_s").first(),
            sudden=pl.col("before").first().is_null(),
            source=pl.col("source").first(),
            began=pl.format("{}:{}", pl.col("file_id").first(), pl.col("line").first()),
            ended=pl.format(
                "{}:{}", pl.col("file_id").filter(off).first(), pl.col("line").filter(off).first()
            ),
        )
        .drop("number")
    )


def split_spans(events: pl.DataFrame, other: pl.DataFrame, settle_s: float) -> pl.DataFrame:
    """Events with `split` where another source saw the vehicle leave and one come, and this one's
    leaving is missing.

    Its record was on before the other's leaving, and on again just when the other saw one come;
    nothing lies between.
    """
    slack = timedelta(seconds=settle_s)
    gaps = other.sort("evse_id", "from_utc").select(
        "evse_id", came="from_utc", left=pl.col("to_utc").shift(1).over("evse_id")
    )
    gaps = gaps.filter(pl.col("came") - pl.col("left") >= slack).sort("came", "left")
    ordered = events.sort(
        "evse_id", "at_utc", "order", "line", "file_id", maintain_order=True
    ).with_columns(
        _said=pl.col("plug").replace(0, None).forward_fill().shift(1).over("evse_id"),
        _before=pl.col("at_utc").shift(1).over("evse_id"),
    )
    near = ordered.sort("at_utc", maintain_order=True).join_asof(
        gaps,
        left_on="at_utc",
        right_on="came",
        by="evse_id",
        strategy="nearest",
        tolerance=slack,
        check_sortedness=False,
    )
    lost = (
        (pl.col("plug") == 1)
        & (pl.col("_said") == 1)
        & (pl.col("_before") <= pl.col("left") + slack)
    )
    return near.with_columns(split=pl.col("split") | lost.fill_null(value=False)).select(
        events.columns
    )


def merge_spans(
    best: pl.DataFrame, other: pl.DataFrame, tolerance_s: float, early_s: float, later_s: float
) -> pl.DataFrame:
    """Spans of two sources: all of the better one, and those of the other that meet none of it.

    A better span without an end takes the end of the one it meets, and the start where that one saw
    it begin earlier by more than `later_s` (by no more than `early_s` and its own error, unless its record began in the
    middle; not before the span before had ended).
    """
    slack = timedelta(seconds=tolerance_s)
    end = pl.coalesce("to_utc", "seen_utc")
    left = other.with_row_index("_other").with_columns(_end=end)
    right = (
        best.sort("evse_id", "from_utc")
        .with_row_index("_best")
        .with_columns(_end=end, _last=end.shift(1).over("evse_id"))
    )
    span = (pl.col("from_utc"), pl.col("_end"))
    met = meeting(
        left,
        right.select(
            "evse_id",
            "_best",
            "_last",
            "from_utc",
            "to_utc",
            "seen_utc",
            "sudden",
            "error_s",
            "_end",
        ),
        "evse_id",
        (span, (pl.col("from_utc") - slack, pl.col("_end") + slack)),
    )
    ending = (pl.col("to_utc") >= pl.col("from_utc_b")) & pl.col("to_utc_b").is_null()
    before_s = (pl.col("from_utc_b") - pl.col("from_utc")).dt.total_microseconds() / 1e6
    earlier = (
        (pl.col("from_utc") < pl.col("from_utc_b") - timedelta(seconds=later_s))
        & ((before_s <= pl.min_horizontal(pl.lit(early_s), "error_s_b")) | pl.col("sudden_b"))
        & (pl.col("_last").is_null() | (pl.col("from_utc") > pl.col("_last")))
    )
    told = (
        met.sort("_best", "from_utc", "_other")
        .group_by("_best", maintain_order=True)
        .agg(
            _to=pl.col("to_utc").filter(ending).first(),
            _ended=pl.col("ended").filter(ending).first(),
            _from=pl.col("from_utc").filter(earlier).first(),
            _began=pl.col("began").filter(earlier).first(),
            _error=pl.col("error_s").filter(earlier).first(),
        )
    )
    kept = right.join(told, on="_best", how="left", maintain_order="left").with_columns(
        from_utc=pl.coalesce("_from", "from_utc"),
        began=pl.coalesce("_began", "began"),
        error_s=pl.coalesce("_error", "error_s"),
        to_utc=pl.coalesce("to_utc", "_to"),
        ended=pl.coalesce("ended", "_ended"),
    )
    alone = left.join(met.select("_other").unique(), on="_other", how="anti")
    return pl.concat([kept.select(best.columns), alone.select(best.columns)]).sort(
        "evse_id", "from_utc", maintain_order=True
    )


def assigned(
    rows: pl.DataFrame, plug_ins: pl.DataFrame, before_s: float, after_s: float
) -> pl.DataFrame:
    """Rows with the `plug_in` they fall in, allowing some seconds before its start and after its
    end; others are left out.

    What was recorded while the vehicle before was there is that one's, however close the next.
    """
    last = pl.coalesce("to_utc", "seen_utc").shift(1).over("evse_id") + timedelta(microseconds=1)
    free = pl.when(last.is_not_null()).then(pl.min_horizontal(last, "from_utc"))
    opens = pl.max_horizontal(pl.col("from_utc") - timedelta(seconds=before_s), free)
    starts = (
        plug_ins.sort("evse_id", "from_utc")
        .select(
            "evse_id",
            "plug_in",
            "from_utc",
            _opens=opens,
            _closes=pl.coalesce("to_utc", "bound_utc"),
        )
        .sort("_opens", "from_utc")
    )
    return (
        rows.filter(pl.col("evse_id").is_not_null())
        .sort("at_utc", maintain_order=True)
        .join_asof(
            starts, left_on="at_utc", right_on="_opens", by="evse_id", check_sortedness=False
        )
        .filter(
            pl.col("plug_in").is_not_null()
            & (pl.col("at_utc") <= pl.col("_closes") + timedelta(seconds=after_s))
        )
        .drop("_opens", "_closes")
    )

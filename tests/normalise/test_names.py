"""Names as numbers: the order of names stands, so nothing sorted, joined or grouped by them changes."""

from __future__ import annotations

import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from pipeline.normalise.incremental import names

texts = st.lists(st.none() | st.text(max_size=6), max_size=30)


@given(texts, texts)
def test_rows_stand_in_the_same_order_by_number_as_by_name(
    here: list[str | None], there: list[str | None]
) -> None:
    """Derived: a sort by the numbers gives the names as a sort by the names does, nulls among them, whatever the other frame names."""
    one = pl.DataFrame({"station_id": here}, schema={"station_id": pl.String})
    other = pl.DataFrame({"station_id": there}, schema={"station_id": pl.String})
    kind = names.kinds([one, other])
    by_number = names.numbered(one, kind).sort("station_id", maintain_order=True)
    assert by_number["station_id"].cast(pl.String).equals(one.sort("station_id")["station_id"])


def test_frames_of_one_batch_join_by_number() -> None:
    """Derived: frames with different names get one type, so that they join and stack."""
    one, other = (
        pl.DataFrame({"file_id": ["b"]}),
        pl.DataFrame({"file_id": ["a", "b"], "n": [1, 2]}),
    )
    kind = names.kinds([one, other])
    joined = names.numbered(one, kind).join(names.numbered(other, kind), on="file_id")
    assert joined["n"].to_list() == [2]

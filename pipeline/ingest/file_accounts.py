"""What run.json tells of delivered files, the same whether the run that read them was the one that
published or was stopped.

Files are read one by one, each for good. A run that is stopped after that leaves files read but
told of by nobody: the next run tells of them as if it had read them itself.
"""

from __future__ import annotations

import polars as pl

from pipeline.storage.warehouse import Connection, query

_COUNTS = ("kind", "lines", "used", "rejected", "duplicates", "unknown_columns")


def file_accounts(con: Connection, files: pl.DataFrame) -> pl.DataFrame:
    """Accounts of delivered files, those never told of with the counts of when they were read.

    `files` is as ingest reports them (FILES_SCHEMA), the answer is the same without `earlier_run`.
    Of several deliveries of such a file the first has the counts, as when it was read; the others
    are repeats.
    """
    untold = query(
        con,
        f"SELECT file_id, {', '.join(_COUNTS)} FROM raw_file ANTI JOIN meta_published_file USING (file_id)",
    )
    mine = files.with_row_index("_order").join(
        untold, on="file_id", how="left", suffix="_first", maintain_order="left"
    )
    first = pl.col("lines_first").is_not_null() & (pl.int_range(pl.len()).over("file_id") == 0)
    told = [pl.when(first).then(f"{name}_first").otherwise(name).alias(name) for name in _COUNTS]
    known_as = pl.when(first).then(None).otherwise("known_as").alias("known_as")
    return (
        mine.with_columns(*told, known_as)
        .sort("_order")
        .select(name for name in files.columns if name != "earlier_run")
    )


def tell(con: Connection) -> None:
    """Note that every file read so far has been told of; in the transaction that publishes."""
    con.execute(
        "INSERT INTO meta_published_file SELECT file_id FROM raw_file ANTI JOIN meta_published_file USING (file_id)"
    )

"""A warehouse for a look: gone when the look is over."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline.storage.warehouse import Connection, append, query, reading, writing


@contextmanager
def passing_store(known: Path | None = None) -> Iterator[Connection]:
    """An empty warehouse that is gone afterwards; it knows the mappings of another, if that is there."""
    with TemporaryDirectory(prefix="whichside-") as place, writing(Path(place) / "w.duckdb") as con:
        if known is not None and known.is_file():
            with reading(known) as earlier:
                for table in ("raw_mapping", "raw_file"):
                    where = "" if table == "raw_mapping" else " WHERE kind = 'mapping'"
                    append(con, table, query(earlier, f"SELECT * FROM {table}{where}"))
        yield con

"""Ingest: bytes → raw tables. What cannot be used becomes a rejected row.

`lines = used + rejected + duplicates`, always.
"""

from pipeline.ingest.delivery import ingest_delivery
from pipeline.ingest.report import IngestReport

__all__ = ["IngestReport", "ingest_delivery"]

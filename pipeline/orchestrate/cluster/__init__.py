"""A run on more than one machine.

Files are cut by station, stations built apart, attempts and calls made in one place.
"""

from __future__ import annotations

from pipeline.orchestrate.cluster.drive import run_on_cluster

__all__ = ["run_on_cluster"]

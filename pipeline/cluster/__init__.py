"""A run on more than one machine: files are cut by station, stations built apart, attempts and calls made in one place."""

from __future__ import annotations

from pipeline.cluster.drive import run_on_cluster

__all__ = ["run_on_cluster"]

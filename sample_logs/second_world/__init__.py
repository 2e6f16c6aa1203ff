"""A second invented world, written from the contract and the check values alone.

Whoever wrote it had not read how the analysis reads, normalises, blames or refers: what comes in and goes out, and how the
control pilot behaves, was all there was to go by. So the figures measured on it say something about logs nobody has seen.
"""

from sample_logs.second_world.mechanics import WORLDS, Mechanics
from sample_logs.second_world.simulate import simulate

__all__ = ["WORLDS", "Mechanics", "simulate"]

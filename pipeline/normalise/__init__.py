"""Raw records → the fleet's history in true time: clocks, identities, codes, attempts."""

from pipeline.normalise.stage import normalise

__all__ = ["normalise"]

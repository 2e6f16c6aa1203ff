"""The control pilot as a circuit: levels, resistances, meter readings, traces."""

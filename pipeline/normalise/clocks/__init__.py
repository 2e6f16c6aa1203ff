"""Station clocks: eras and their corrections."""

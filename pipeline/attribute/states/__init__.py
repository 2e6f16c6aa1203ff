"""Fault states of vehicles, EVSEs and pairings, and what they share of each failure."""

"""The kinds of units that may keep an attempt from charging, by index."""

VEHICLE, EVSE, PAIRING, SITE, PLACE, HOUR = range(6)
KINDS = ("vehicle", "evse", "pairing", "site", "place", "hour")
AT_FAULT = 3
"""The first kinds can be at fault; what the others explain is chance."""

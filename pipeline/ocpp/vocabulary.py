"""Words of OCPP 1.6 and 2.0.1 by what they tell (published schemas; meanings as sources give them)."""

from __future__ import annotations

OCCUPIED = ["Preparing", "Charging", "SuspendedEV", "SuspendedEVSE", "Occupied"]
"""Statuses with a vehicle there. Finishing does not say: it may follow the unplugging."""
VACANT = ["Available", "Reserved"]
ARRIVING = ["Preparing", "Occupied"]
"""Statuses with which a vehicle's arrival is told."""
SUPPLY_OFF = ["SuspendedEVSE", "Finishing", "Unavailable"]
"""1.6 statuses in which the EVSE gives nothing."""
CONNECTED = ["EVConnected", "Charging", "SuspendedEV", "SuspendedEVSE"]
"""2.0.1 charging states with a vehicle there; Idle is without."""
BY_CABLE = ["CablePluggedIn", "EVDetected"]
"""2.0.1 triggers that tell of the cable, not of a token."""
STOPPING = ["StopAuthorized", "Deauthorized", "RemoteStop"]
"""2.0.1 triggers by which a token or the centre ends a charge: the token is not whose charge it is."""
UNEXPLAINED_STOPS = ["HardReset", "Reboot", "ImmediateReset", "Other"]
"""Reasons by which the station itself ends a session without saying why: a sign of trouble, not the trouble."""
VEHICLE_STOPS = ["StoppedByEV", "SOCLimitReached"]
REFUSING_STOPS = ["DeAuthorized", "LocalOutOfCredit"]
PERSONAL_STOPS = ["EVDisconnected", "Local", "Remote", "MasterPass", "UnlockCommand"]
"""Reasons in which a person (or the centre for one) ends the charge, where the reason is said."""
TROUBLE_TRIGGER = "Alerting"
TROUBLE_VARIABLES = ["Problem", "Tripped", "Fault"]
"""2.0.1 variables that are true while something is wrong."""
TRUE_VALUES = ["true", "1", "faulted", "tripped"]
AUTHORISING = ["Authorize", "RemoteStartTransaction", "RequestStartTransaction"]
"""Actions that show a token without being a transaction's own."""
FROM_CENTRE = ["RemoteStartTransaction", "RequestStartTransaction"]
"""Calls of the central system that say something of an attempt."""
CLEARED = "cleared"
"""What stands in `info` of an event that says its trouble is over (2.0.1 EventData.cleared)."""

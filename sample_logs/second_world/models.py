"""Models of EVSEs and vehicles, all invented, and the words each family of EVSEs has for a trouble.

The words follow the open enumerations (OCPP 1.6 error codes; codes of the recommended minimum error list) or are plain English
of our own. Written from the contract alone.
"""

from __future__ import annotations

import polars as pl

# fmt: off

EVSE_MODELS = pl.DataFrame(
    [
        # model, supply, coupler, version, pilot record, diode looked for, limit, told, words, transaction begins, A, phases, kW
        ("Tarn Post", "AC", "sType2", "1.6", "both", "b2", -10.4, "yes", "own", "authorised", 32, 3, 22.0),
        ("Tarn Wall", "AC", "cType2", "1.6", "none", "c2", -10.0, "unknown", "plain", "energised", 16, 3, 11.0),
        ("Osier Duo", "AC", "sType2", "2.0.1", "both", "c2", -10.8, "yes", "mrec", "authorised", 32, 3, 22.0),
        ("Osier One", "AC", "cType2", "2.0.1", "none", "b2", -9.6, "unknown", "coarse", "plugged", 32, 1, 7.4),
        ("Kestle Box", "AC", "cType2", "1.6", "states", "no", 99.0, "no", "coarse", "authorised", 32, 1, 7.4),
        ("Kestle Pro", "AC", "sType2", "1.6", "high", "b2", -10.6, "unknown", "mrec", "authorised", 16, 3, 11.0),
        ("Moor Hook", "AC", "cType1", "1.6", "both", "c2", -10.2, "yes", "plain", "authorised", 32, 1, 7.4),
        ("Moor Arm", "AC", "cType2", "2.0.1", "both", "b2", -10.5, "unknown", "own", "plugged", 16, 3, 11.0),
        ("Brant Rapid", "DC", "cCCS2", "1.6", "none", "c2", -10.0, "unknown", "own", "authorised", 125, 3, 50.0),
        ("Brant Rapid J", "DC", "cG105", "1.6", "none", "no", 99.0, "no", "plain", "authorised", 125, 3, 50.0),
        ("Fell Fast", "DC", "cCCS2", "2.0.1", "none", "no", 99.0, "no", "mrec", "plugged", 200, 3, 100.0),
    ],
    schema=[
        "evse_model", "supply", "connector_type", "version", "record", "looks", "limit_v", "diode_check", "words", "begins",
        "max_current_a", "phases", "max_power_kw",
    ],
    orient="row",
)
"""`looks`: where in the sequence the diode is looked for, if at all; `record`: what the controller's pilot record holds."""

VEHICLE_MODELS = pl.DataFrame(
    [
        ("Pellan Van", 11.0, 3, "cType2;cCCS2", 60.0, 0.22),
        ("Pellan Van L", 22.0, 3, "cCCS2", 80.0, 0.12),
        ("Oriel Box", 7.4, 1, "cType2;cCCS2", 45.0, 0.16),
        ("Oriel Trike", 3.7, 1, "cType2", 12.0, 0.08),
        ("Sandar Cab", 6.6, 1, "cType1;cG105", 40.0, 0.16),
        ("Sandar Mini", 3.6, 1, "cType1", 20.0, 0.06),
        ("Vireo 7", 11.0, 3, "cCCS2", 70.0, 0.12),
        ("Vireo Bus", 11.0, 3, "cType2", 50.0, 0.08),
    ],
    schema=["vehicle_model", "onboard_charger_kw", "ac_phases", "inlets", "battery_kwh", "share"],
    orient="row",
)

FITS = {"sType2": "Type", "cType2": "(Type2|CCS2)", "cType1": "Type1", "cCCS2": "CCS2", "cG105": "G105"}
"""What an inlet list must hold to fit an EVSE's coupler; a Type 1 vehicle carries a cable for Type 2 sockets."""

TROUBLES = pl.DataFrame(
    [
        # trouble, OCPP 1.6 code, code of the minimum error list, words, own number, coarse code
        ("diode", "OtherError", "CX014", "pilot diode check failed", "P21", "OtherError"),
        ("pilot_level", "OtherError", "CX014", "pilot voltage out of range", "P20", "OtherError"),
        ("proximity", "OtherError", "CX023", "proximity out of range", "P30", "OtherError"),
        ("lock", "ConnectorLockFailure", "CX001", "plug lock failed", "L01", "OtherError"),
        ("ground", "GroundFailure", "CX002", "residual current", "R01", "GroundFailure"),
        ("overcurrent", "OverCurrentFailure", "CX004", "over current", "I01", "InternalError"),
        ("contactor", "PowerSwitchFailure", "CX017", "contactor failure", "K01", "InternalError"),
        ("voltage", "UnderVoltage", "CX006", "mains under voltage", "U01", "UnderVoltage"),
        ("dropped", "EVCommunicationError", "CX010", "vehicle stopped unexpectedly", "V01", "EVCommunicationError"),
    ],
    schema=["trouble", "code", "mrec", "words", "own", "coarse"],
    orient="row",
)
"""How a trouble is named; a coarse family uses one code for several causes."""

"""What stands before every step at a vehicle: general practice; local electrical code, the maker's procedure and licensed
practice override every line.
"""

from __future__ import annotations

CAUTIONS = (
    "Treat every contact of the inlet as live until proved dead. Unplug, switch off, lock off.",
    "Make the high-voltage system safe by the maker's procedure and wait the stated discharge time.",
    "Prove dead with a tester that is itself proved before and after; again after the vehicle was awake or plugged in.",
    "Wear insulating gloves, in date for the voltage, checked for holes before use, with leather protectors over them.",
    "Pilot and proximity are low voltage beside mains and high-voltage contacts: shrouded probes of the right category.",
    "Never an insulation tester on the pilot or proximity contact, and no voltage of your own put on them.",
    "With the pilot alive use a simulator without mains, or inhibit charging: a closed contactor puts mains on the breakout.",
    "Never probe an energised inlet. Only licensed people open an EVSE or work on high-voltage parts.",
)
DEFERENCE = (
    "The vehicle maker's procedure comes before anything on this sheet.",
    "Local electrical and workshop codes and the rules for licensed work apply.",
    "Resistances are those of IEC 61851-1 and SAE J1772 as given by secondary sources; a vehicle may have more in parallel.",
    "Compare with a known-good vehicle of the same model before condemning a part.",
)

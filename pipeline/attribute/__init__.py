"""Attribution.

Vehicle, EVSE, pairing or chance, with probabilities (pure functions, frames in and out).
"""

"""whichside.

Vehicle, EVSE, pairing or chance? Reads the logs of charging equipment and says who is at fault.
"""

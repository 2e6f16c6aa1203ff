"""How good is the attribution?  Measured on simulated worlds whose truth is known, over seeds.

Nothing here is used in a run.
"""

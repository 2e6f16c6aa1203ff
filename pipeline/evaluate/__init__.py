"""How good is the attribution?  Measured on simulated worlds whose truth is known, over seeds; nothing here is used in a run."""

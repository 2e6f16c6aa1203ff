"""The weekly review in a browser: decide on calls, enter findings, hand in a delivery.

Reads finished weeks only.
"""

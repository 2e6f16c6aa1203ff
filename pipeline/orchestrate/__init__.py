"""Runs: the steps in order, as a direct run, a flow, a schedule, a drop folder or on a cluster."""

"""Quality measured from logs: a world is simulated, its delivery read by the whole pipeline, and the published files scored."""

"""What README claims, by command. Nothing here is used in a run."""

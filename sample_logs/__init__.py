"""Sample logs of an invented fleet, and the generator they come from."""

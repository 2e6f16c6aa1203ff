"""What is wrong with a vehicle or an EVSE, and what to do about it."""

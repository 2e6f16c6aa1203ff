"""What is wrong: signatures, levels, drift, requests, weighed into suspects."""

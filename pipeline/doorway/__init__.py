"""Files as sites have them: what each is, and the mapping that reads it."""

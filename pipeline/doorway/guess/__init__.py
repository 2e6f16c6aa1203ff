"""What an unknown file is, and the mapping entry that would read it: guesses, told by shape."""

from pipeline.doorway.guess.entry import Guess, guess_entry

__all__ = ["Guess", "guess_entry"]

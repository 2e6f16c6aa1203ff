"""Answers as frames, in words, and why."""

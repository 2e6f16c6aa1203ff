"""Chance failures: the crossed random-effects logit."""

"""Hostile inputs: mutants of valid ones, so that they come past the first check of a reader."""

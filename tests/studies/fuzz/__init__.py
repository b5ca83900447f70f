"""Inputs of every family in large numbers: each is read, or refused with an error of the project's own."""

"""Settling: from the moving readings of a meter to its settled reading."""

"""Drift of a part from visit to visit: the trend, its tests and its intervals."""

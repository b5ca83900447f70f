"""Drift of a part over its visits: the trend, its tests and its intervals."""

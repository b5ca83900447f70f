"""Judging: limits, uncertainty, settling. Pure functions: no I/O, no asyncio."""

"""Judging: limits, uncertainty, verdicts. Pure functions: no I/O, no asyncio."""

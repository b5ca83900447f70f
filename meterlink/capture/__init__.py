"""Recorded packets with labels, and values typed in by hand."""

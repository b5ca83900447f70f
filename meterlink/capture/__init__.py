"""Recorded packets with the displayed values, and values typed in by hand."""

"""Sheets that open over the dashboard."""

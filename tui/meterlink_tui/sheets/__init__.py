"""Sheets laid over the dashboard."""

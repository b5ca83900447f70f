"""The rows and panels of the dashboard."""

"""The customer's report as files, for the dashboard and for scripts."""

from meterlink.station.visit_reports import write_customer_reports

__all__ = ["write_customer_reports"]

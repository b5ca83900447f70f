"""A report as JSON: all that the other forms show, with every number as it is stored."""

import json
from dataclasses import asdict
from decimal import Decimal

from meterlink.record.model import Report

# A sealed report is checked by making it again: with other words or fields it needs another format.
FORMAT = "meterlink-report-1"


def json_report(report: Report) -> str:
    """Return the report as a JSON object; its keys are the fields of `Report`, and ``format``.

    A decimal number is a text, so that no digit is lost: ``"43.72"``.
    """
    return json.dumps({"format": FORMAT, **asdict(report)}, ensure_ascii=False, indent=2, default=_plain) + "\n"


def _plain(value: object) -> str:
    """Return the text of a Decimal."""
    assert isinstance(value, Decimal)  # noqa: S101  # a report has no other values that JSON lacks
    return f"{value:f}"

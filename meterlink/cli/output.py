"""Output that several commands share: an accepted reading, a count, text from outside."""

import json

from meterlink.core.clock import format_rfc3339
from meterlink.core.equipment import TestPoint
from meterlink.core.text import clean_text
from meterlink.station.visit import AcceptedReading

# The longest text that Meterlink itself stores, with room to spare; longer text in a database or a file is foreign.
_MAX_TEXT_LENGTH = 800  # characters


def printable_text(text: str) -> str:
    """Return a name or a sentence from a database or a file as one line without control characters, cut when long."""
    return clean_text(text, _MAX_TEXT_LENGTH)


def accepted_line(point: TestPoint, accepted: AcceptedReading) -> str:
    """Return an accepted reading with its verdict on one line."""
    judgement = accepted.judgement
    margin = f" ({judgement.margin})" if judgement.margin == "close call" else ""
    return (
        f"{point.circuit}: {point.title}, {point.terminals[0]}–{point.terminals[1]}: {accepted.reading.text}"
        f"  {judgement.verdict.upper()}{margin}  {judgement.limits.basis if judgement.limits else 'no limits'}"
    )


def accepted_json(point: TestPoint, accepted: AcceptedReading) -> str:
    """Return an accepted reading with its verdict as one JSON object on one line.

    ``value`` is in the SI unit of the quantity, ``low`` and ``high`` are in ``unit``, ``settled_in`` is in seconds.
    """
    judgement, limits = accepted.judgement, accepted.judgement.limits
    fields = {
        "at": format_rfc3339(accepted.reading.timestamp.utc_ns),
        "point": point.key,
        "circuit": point.circuit,
        "component": point.component,
        "section": point.section,
        "terminals": list(point.terminals),
        "reading": accepted.reading.text,
        "value": accepted.reading.value,
        "verdict": str(judgement.verdict),
        "margin": None if judgement.margin is None else str(judgement.margin),
        "low": None if limits is None or limits.low is None else float(limits.low),
        "high": None if limits is None or limits.high is None else float(limits.high),
        "unit": limits.unit if limits else accepted.reading.unit,
        "meter": accepted.meter,
        "settled_in": round(accepted.settled_in, 1),
    }
    return json.dumps(fields, ensure_ascii=False)

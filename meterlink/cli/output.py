"""What several commands print alike: a held reading, a count."""

import json

from meterlink.core.clock import format_rfc3339
from meterlink.core.equipment import TestPoint
from meterlink.station.visit import AcceptedReading


def count_phrase(number: int, noun: str) -> str:
    """Return ``1 packet``, ``3 packets``, ``no packets``."""
    return f"{number or 'no'} {noun}{'' if number == 1 else 's'}"


def accepted_line(point: TestPoint, accepted: AcceptedReading) -> str:
    """Return a held reading with its verdict on one line."""
    judgement = accepted.judgement
    margin = f" ({judgement.margin})" if judgement.margin == "close call" else ""
    return (
        f"{point.circuit}: {point.title}, {point.terminals[0]}–{point.terminals[1]}: {accepted.reading.text}"
        f"  {judgement.verdict.upper()}{margin}  {judgement.limits.basis if judgement.limits else 'no limits'}"
    )


def accepted_json(point: TestPoint, accepted: AcceptedReading) -> str:
    """Return a held reading with its verdict as one JSON object on one line."""
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
        "margin": str(judgement.margin),
        "low": None if limits is None or limits.low is None else float(limits.low),
        "high": None if limits is None or limits.high is None else float(limits.high),
        "unit": limits.unit if limits else accepted.reading.unit,
        "meter": accepted.meter,
        "settled_in": round(accepted.settled_in, 1),
    }
    return json.dumps(fields, ensure_ascii=False)

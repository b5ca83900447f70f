"""What several commands print alike: a held reading, a count."""

import json

from meterlink.core.clock import rfc3339
from meterlink.core.equipment import TestPoint
from meterlink.station.visit import Held


def counted(number: int, what: str) -> str:
    """Return ``1 packet``, ``3 packets``, ``no packets``."""
    return f"{number or 'no'} {what}{'' if number == 1 else 's'}"


def held_line(point: TestPoint, held: Held) -> str:
    """Return a held reading with its verdict on one line."""
    judgement = held.judgement
    margin = f" ({judgement.margin})" if judgement.margin == "close call" else ""
    return (
        f"{point.circuit}: {point.title}, {point.terminals[0]}–{point.terminals[1]}: {held.reading.text}"
        f"  {judgement.verdict.upper()}{margin}  {judgement.limits.basis if judgement.limits else 'no limits'}"
    )


def held_json(point: TestPoint, held: Held) -> str:
    """Return a held reading with its verdict as one JSON object on one line."""
    judgement, limits = held.judgement, held.judgement.limits
    fields = {
        "at": rfc3339(held.reading.stamp.utc_ns),
        "point": point.key,
        "circuit": point.circuit,
        "component": point.component,
        "section": point.section,
        "terminals": list(point.terminals),
        "reading": held.reading.text,
        "value": held.reading.value,
        "verdict": str(judgement.verdict),
        "margin": str(judgement.margin),
        "low": None if limits is None or limits.low is None else float(limits.low),
        "high": None if limits is None or limits.high is None else float(limits.high),
        "unit": limits.unit if limits else held.reading.unit,
        "meter": held.meter,
        "settled_in": round(held.settled_in, 1),
    }
    return json.dumps(fields, ensure_ascii=False)

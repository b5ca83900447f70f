"""A visit as plain values, for JSON."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from meterlink.core.clock import format_rfc3339
from meterlink.judge.judging import format_decimal
from meterlink.station.visit import ActiveVisit
from meterlink.store.rows import EarlierVerdict, HistoryRow, VisitNote


def visit_fields(
    visit: ActiveVisit,
    accepted: Iterable[HistoryRow],
    notes: Sequence[VisitNote],
    earlier: Mapping[str, Sequence[EarlierVerdict]],
) -> dict[str, Any]:
    """Return ``{"points": [...], "notes": [...]}``; `meterlink visit show --help` lists the keys."""
    readings: dict[str, list[dict[str, Any]]] = {key: [] for key in visit.points}
    for row in accepted:
        readings[row.point_key].append(_reading_fields(row, earlier.get(row.uid, ())))
    return {
        "points": [{**_point_fields(visit, key), "readings": readings[key]} for key in visit.points],
        "notes": [{"at": format_rfc3339(note.utc_ns), "text": note.text, "point": note.point_key} for note in notes],
    }


def _point_fields(visit: ActiveVisit, key: str) -> dict[str, Any]:
    point, limits = visit.points[key], visit.limits[key]
    return {
        "key": key,
        "circuit": point.circuit,
        "component": point.component,
        "section": point.section,
        "terminals": list(point.terminals),
        "quantity": str(point.quantity),
        "coupling": None if point.coupling is None else str(point.coupling),
        "state": str(point.state),
        "rating": limits.basis if limits else None,
        "limits": None
        if limits is None
        else {
            "low": None if limits.low is None else format_decimal(limits.low),
            "high": None if limits.high is None else format_decimal(limits.high),
            "unit": limits.unit,
            "basis": limits.basis,
        },
    }


def _reading_fields(row: HistoryRow, earlier: Sequence[EarlierVerdict]) -> dict[str, Any]:
    judgement = row.judgement
    return {
        "id": row.uid,
        "at": format_rfc3339(row.reading.timestamp.utc_ns),
        "text": row.reading.text,
        "verdict": str(judgement.verdict),
        "margin": None if judgement.margin is None else str(judgement.margin),
        "reason": judgement.reason,
        "meter": row.meter.name,
        "revision": row.revision,
        "voided": row.void_reason is not None,
        "void_reason": row.void_reason,
        "judged_before": [
            {
                "at": format_rfc3339(verdict.judged_utc_ns),
                "verdict": str(verdict.verdict),
                "margin": None if verdict.margin is None else str(verdict.margin),
                "limits_basis": verdict.limits_basis,
            }
            for verdict in earlier
        ],
    }

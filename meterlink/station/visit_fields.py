"""A visit as plain values, for JSON."""

from collections.abc import Mapping, Sequence
from typing import Any

from meterlink.core.clock import format_rfc3339
from meterlink.judge.judging import format_decimal
from meterlink.station.visit import ActiveVisit
from meterlink.store.rows import EarlierVerdict, HistoryRow, StoredReplacement, VisitNote, VisitWithReadings


def visit_fields(
    visit: ActiveVisit,
    stored: VisitWithReadings,
    notes: Sequence[VisitNote],
    earlier: Mapping[str, Sequence[EarlierVerdict]],
) -> dict[str, Any]:
    """Return the keys ``points``, ``notes`` and ``replacements`` of `meterlink visit show --json`.

    ``visit`` is that of ``stored``, with its readings in the same order.
    """
    readings: dict[str, list[dict[str, Any]]] = {key: [] for key in visit.points}
    for number, row in enumerate(stored.accepted, 1):
        is_old = number <= visit.replaced_after(row.point_key)
        readings[row.point_key].append({**_reading_fields(row, earlier.get(row.uid, ())), "of_old_part": is_old})
    return {
        "points": [{**_point_fields(visit, key), "readings": readings[key]} for key in visit.points],
        "notes": [{"at": format_rfc3339(note.utc_ns), "text": note.text, "point": note.point_key} for note in notes],
        "replacements": list(map(_replacement_fields, stored.replacements)),
    }


def _replacement_fields(stored: StoredReplacement) -> dict[str, Any]:
    replacement = stored.replacement
    return {
        "id": stored.uid,
        "at": format_rfc3339(replacement.utc_ns or 0),
        "part": replacement.part,
        "circuit": replacement.circuit,
        "sections": list(replacement.sections),
        "old_rating": replacement.old_rating,
        "new_rating": replacement.new_rating,
        "off_the_truck": stored.item is not None,
        "objection": stored.objection,
    }


def _point_fields(visit: ActiveVisit, key: str) -> dict[str, Any]:
    point, limits = visit.points[key], visit.limits[key]
    if visit.accepted[key]:  # a verdict never stands over limits by which it was not judged
        limits = visit.accepted[key][-1].judgement.limits
    return {
        "key": key,
        "circuit": point.circuit,
        "component": point.component,
        "section": point.section,
        "terminals": list(point.terminals),
        "quantity": str(point.quantity),
        "coupling": None if point.coupling is None else str(point.coupling),
        "state": str(point.state),
        "last": None
        if (last := visit.last_readings.get(key)) is None
        else {
            "text": last.text,
            "verdict": str(last.verdict),
            "at": format_rfc3339(last.utc_ns),
            "of_old_part": last.of_old_part,
        },
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
        "limits_basis": judgement.limits.basis if judgement.limits else None,
        "accuracy": judgement.accuracy,
        "calibration": judgement.calibration,
        "rule": judgement.rule,
        "meter": row.meter.name,
        "revision": row.revision,
        "voided": row.void_reason is not None,
        "void_reason": row.void_reason,
        "assigned_later": row.assigned_utc_ns is not None,
        "accepted_as": None if row.correction is None else row.correction.accepted_as,
        "judged_before": [
            {
                "at": format_rfc3339(verdict.judged_utc_ns),
                "verdict": str(verdict.verdict),
                "margin": None if verdict.margin is None else str(verdict.margin),
                "limits_basis": verdict.limits_basis,
                "reason": verdict.reason,
                "accuracy": verdict.accuracy,
                "calibration": verdict.calibration,
                "rule": verdict.rule,
            }
            for verdict in earlier
        ],
    }

"""An accepted reading as a flat dict: for JSON, and for tables."""

from decimal import Decimal

from meterlink.core.clock import format_rfc3339
from meterlink.store.rows import HistoryRow

PlainValue = str | float | int | bool | list[str] | None


def history_fields(row: HistoryRow) -> dict[str, PlainValue]:
    """Return an accepted reading as a flat dict of plain values; `meterlink history --help` lists the keys."""
    judgement = row.judgement
    limits, question = judgement.limits, judgement.question
    return {
        "at": format_rfc3339(row.reading.timestamp.utc_ns),
        "clock_set": row.clock_set,
        "site": row.site.name,
        "unit": row.site.unit,
        "visit_uid": row.visit_uid,
        "circuit": row.circuit,
        "component": row.component,
        "section": row.section,
        "terminals": list(row.terminals),
        "quantity": row.reading.quantity.value,
        "reading": row.reading.text,
        "unit_symbol": row.reading.unit,
        "value": row.reading.value,
        "verdict": judgement.verdict.value,
        "margin": None if judgement.margin is None else judgement.margin.value,
        "low": _number(limits.low) if limits else None,
        "high": _number(limits.high) if limits else None,
        "limits_unit": limits.unit if limits else None,
        "limits_basis": limits.basis if limits else None,
        "deviation_percent": _number(judgement.deviation_percent),
        "meter": row.meter.name or row.meter.address,
        "accuracy": judgement.accuracy,
        "calibration": judgement.calibration,
        "rule": judgement.rule,
        "probability": judgement.probability,
        "prior": judgement.prior or None,
        "next_measurement": judgement.next_measurement,
        "settled_in": row.settled_in,
        "reason": judgement.reason,
        "question": None if question is None else question.text,
        "choices": None if question is None else [f"{choice.key}: {choice.words}" for choice in question.choices],
        "answer": judgement.answer or None,
        "uid": row.uid,
        "revision": row.revision,
        "voided": row.void_reason is not None,
        "void_reason": row.void_reason,
    }


def _number(number: Decimal | None) -> float | None:
    return None if number is None else float(number)

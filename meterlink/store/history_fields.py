"""Accepted readings as flat dicts: for JSON, and for tables.

Straight from the columns: to make objects of a row first takes longer than to write it as JSON.
"""

import json
import sqlite3
from collections.abc import Iterable

from meterlink.core.clock import format_rfc3339
from meterlink.core.errors import DamagedDatabaseError
from meterlink.core.readings import Coupling, Status
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Margin, Verdict
from meterlink.store.continuity import ClockSteps
from meterlink.store.history_query import OF_ACCEPTED

PlainValue = str | float | int | bool | list[str] | None

# The sub-queries are those of `meterlink.store.queries`.
_SELECT_FIELDS = f"""
    SELECT a.id, a.utc_ns, a.clock_set, s.name, u.name, v.uid, ci.name, co.name, co.section, p.terminal_a, p.terminal_b,
        a.quantity, a.digits, a.status, a.unit, a.coupling, a.value, j.verdict, j.margin, j.limits_low, j.limits_high,
        j.limits_unit, j.limits_basis, j.deviation_percent,
        CASE m.name WHEN '' THEN m.address ELSE m.name END, j.accuracy, j.calibration, j.rule, j.probability, j.prior,
        j.next_measurement, a.settled_in, j.reason, j.question, j.answer, a.uid,
        (SELECT COUNT(*) FROM verdicts WHERE accepted_id = a.id)
            + (SELECT COUNT(*) FROM voids WHERE accepted_id = a.id),
        (SELECT CASE voided WHEN 1 THEN reason END FROM voids WHERE accepted_id = a.id ORDER BY id DESC LIMIT 1),
        a.corrected_utc_ns, a.first_status, a.first_digits, a.first_unit, a.first_coupling, a.correction_driver,
        a.correction_technician, c.boot, v.boot, v.opened_monotonic_ns, a.monotonic_ns
    FROM current_readings a {OF_ACCEPTED}
    WHERE a.id IN (SELECT value FROM json_each(?)) ORDER BY a.id
"""  # noqa: S608  # constants only
_CLOCK_COLUMNS = -4  # the last ones
_QUANTITIES, _VERDICTS = frozenset(map(str, Quantity)), frozenset(map(str, Verdict))
_STATUSES, _COUPLINGS = frozenset(map(str, Status)), frozenset({None, *map(str, Coupling)})
_MARGINS = frozenset({None, *map(str, Margin)})
_WITHOUT_NUMBER = {str(Status.OVERLOAD): "OL", str(Status.INVALID): "---"}


def history_fields(connection: sqlite3.Connection, ids: Iterable[int]) -> list[dict[str, PlainValue]]:
    """Return accepted readings as flat dicts of plain values, by id; `meterlink history --help` lists the keys.

    Raises:
        DamagedDatabaseError: a row has an unknown word, or no number where one belongs.
    """
    cursor = connection.cursor()
    cursor.row_factory = None  # a plain tuple: its columns are in the order of the keys
    records = []
    steps = ClockSteps(connection)
    for row in cursor.execute(_SELECT_FIELDS, (json.dumps(list(ids)),)):
        try:
            clock_step_ns = steps.during_visit(*row[_CLOCK_COLUMNS:])
            records.append(_fields(*row[:_CLOCK_COLUMNS], clock_step_ns=clock_step_ns))
        except ValueError as error:
            raise DamagedDatabaseError(
                f"Row {row[0]} of the database cannot be read: {error}.", "Another program has changed the file."
            ) from error
    return records


def _fields(  # noqa: PLR0917  # a row, unpacked in the order of the columns
    _id: int, utc_ns: int, clock_set: int | None, site: str, unit: str, visit_uid: str, circuit: str, component: str,
    section: str, terminal_a: str, terminal_b: str, quantity: str, digits: str | None, status: str, symbol: str,
    coupling: str | None, value: float | None, verdict: str, margin: str | None, low: str | None, high: str | None,
    limits_unit: str | None, limits_basis: str | None, deviation: str | None, meter: str, accuracy: str,
    calibration: str, rule: str, probability: float | None, prior: str, next_measurement: str, settled_in: float,
    reason: str, question: str | None, answer: str, uid: str, revision: int, void_reason: str | None,
    corrected_utc_ns: int | None, first_status: str | None, first_digits: str | None, first_symbol: str | None,
    first_coupling: str | None, decoder: str | None, recorder: str | None, *,
    clock_step_ns: int,
) -> dict[str, PlainValue]:  # fmt: skip
    _require(quantity, _QUANTITIES)
    _require(status, _STATUSES)
    _require(coupling, _COUPLINGS)
    _require(verdict, _VERDICTS)
    _require(margin, _MARGINS)
    asked = None if question is None else _question(question)
    return {
        "at": format_rfc3339(utc_ns),
        "clock_set": None if clock_set is None else clock_set == 1,
        "clock_step": round(clock_step_ns / 1e9, 3),
        "site": site,
        "unit": unit,
        "visit_uid": visit_uid,
        "circuit": circuit,
        "component": component,
        "section": section,
        "terminals": [terminal_a, terminal_b],
        "quantity": quantity,
        "reading": _display_text(status, digits, symbol, coupling),
        "unit_symbol": symbol,
        "value": value,
        "verdict": verdict,
        "margin": margin,
        "low": None if low is None else float(low),
        "high": None if high is None else float(high),
        "limits_unit": limits_unit,
        "limits_basis": limits_basis,
        "deviation_percent": None if deviation is None else float(deviation),
        "meter": meter,
        "accuracy": accuracy,
        "calibration": calibration,
        "rule": rule,
        "probability": probability,
        "prior": prior or None,
        "next_measurement": next_measurement,
        "settled_in": settled_in,
        "reason": reason,
        "question": None if asked is None else asked[0],
        "choices": None if asked is None else asked[1],
        "answer": answer or None,
        "uid": uid,
        "revision": revision,
        "voided": void_reason is not None,
        "void_reason": void_reason,
        "decoded_again": None if corrected_utc_ns is None else format_rfc3339(corrected_utc_ns),
        "accepted_as": _display_text(first_status, first_digits, first_symbol, first_coupling)
        if first_status
        else None,
        "decoded_by": decoder,
        "recorded_by": recorder or None,
    }


def _display_text(status: str | None, digits: str | None, symbol: str | None, coupling: str | None) -> str:
    number = _WITHOUT_NUMBER.get(status or "") or digits
    return f"{number} {symbol} {coupling}" if coupling else f"{number} {symbol}"


def _require(word: str | None, known: frozenset[str | None] | frozenset[str]) -> None:
    """Do nothing if a word is a known one.

    Raises:
        ValueError: it is not.
    """
    if word not in known:
        raise ValueError(f"{word!r} is not a word of this version")


def _question(text: str) -> tuple[str, list[str]]:
    """Return an open question and its choices as `meterlink.store.question_text` keeps them.

    Raises:
        ValueError: the text is not that of a question.
    """
    try:
        question = json.loads(text)
        return question["question"], [f"{choice['key']}: {choice['words']}" for choice in question["choices"]]
    except (KeyError, TypeError, RecursionError) as error:
        raise ValueError(f"not a question: {text[:80]!r}") from error

"""The record of a visit, for its report, from the sealed text alone."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from decimal import Decimal
from types import MappingProxyType
from typing import Any

from meterlink.core.clock import Timestamp, utc_nanoseconds
from meterlink.core.equipment import CircuitState, Meter, PointKind, Site, TestPoint
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.replacements import Replacement
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.diagnosis.causes import Diagnosis
from meterlink.record.report import VisitRecord
from meterlink.store.rows import (
    Correction,
    EarlierVerdict,
    HistoryRow,
    StoredReplacement,
    StoredVisit,
    UnitLeft,
    VisitNote,
)

REMOVED = "removed"
"""The text that stands in a record for one that was removed, and whose salt is gone."""

Sealed = Mapping[str, Any]
"""A part of the sealed text; its station wrote it, so its parts are of the types that it has in the database."""


def sealed_record(
    visit: Sealed, texts: Mapping[str, str], clock_steps: Mapping[str, int] = MappingProxyType({})
) -> VisitRecord:
    """Return the record of a sealed visit, without diagnosis and names of meters; its times are in UTC.

    ``texts`` are the known personal texts by subject; the others are `REMOVED`. ``clock_steps`` are those of the
    edition (`meterlink.seal.edition.EditionText`).

    Raises:
        LookupError, TypeError, ValueError, AttributeError, ArithmeticError, InputError: it is not that of a visit.
    """
    site = Site(_text(visit["site"], "site", texts), _text(visit["unit"], "unit", texts))
    points = {point["key"]: _point(point) for point in visit["points"]}
    numbers = {reading["uid"]: number for number, reading in enumerate(visit["readings"], 1)}
    return VisitRecord(
        stored=_visit(visit, site, texts),
        rows=[
            _row(numbers[reading["uid"]], reading, points[reading["point"]], site, visit["uid"], texts)._replace(
                clock_step_ns=clock_steps.get(reading["uid"], 0) * 1_000_000
            )
            for reading in visit["readings"]
        ],
        points=tuple(points.values()),
        replacements=[
            _replacement(replacement, numbers, site, visit["uid"])
            for replacement in visit["replacements"]
            if replacement["undone"] is None
        ],
        notes=[
            VisitNote(note["uid"], _ns(note["at"]), _text(note["text"], f"note {note['uid']}", texts), note["point"])
            for note in visit["notes"]
        ],
        earlier={reading["uid"]: list(map(_earlier, reading["verdicts"][:-1])) for reading in visit["readings"]},
        facts=(),
        diagnosis=Diagnosis("", (), ()),
        derived=(),
        not_proven=(),
        zone=UTC,
    )


def _text(sealed: str, subject: str, texts: Mapping[str, str]) -> str:
    """Return a personal text; the one that stands for it in the record where it was removed."""
    return texts.get(subject, REMOVED) if sealed else ""


def _visit(visit: Sealed, site: Site, texts: Mapping[str, str]) -> StoredVisit:
    return StoredVisit(
        1,
        visit["uid"],
        site,
        visit["plan"],
        Timestamp(_ns(visit["opened"]), 0),
        _ns(visit["closed"]),
        outcome=visit["outcome"],
        technician=_text(visit["technician"], "technician", texts),
        job=_text(visit["job"], "job", texts),
        left=UnitLeft(visit["power_on"], visit["covers_on"]),
    )


def _point(point: Sealed) -> TestPoint:
    return TestPoint(
        point["key"], point["circuit"], point["component"], _pair_of(point["terminals"]), Quantity(point["quantity"]),
        CircuitState(point["state"]), PointKind(point["kind"]), section=point["section"],
    )  # fmt: skip


def _pair_of(terminals: Sequence[str]) -> tuple[str, str]:
    one, other = terminals
    return one, other


def _row(
    number: int, reading: Sealed, point: TestPoint, site: Site, visit_uid: str, texts: Mapping[str, str]
) -> HistoryRow:
    corrections = reading.get("corrections", ())
    void = reading["voids"][-1] if reading["voids"] else None
    reason = _text(void["reason"], f"void {void['uid']}", texts) if void is not None and void["voided"] else None
    return HistoryRow(
        id=number,
        uid=reading["uid"],
        reading=_reading(reading, corrections[-1] if corrections else reading),
        judgement=_judgement(reading["verdicts"][-1]),
        settled_in=reading["settled_in"],
        site=site,
        visit_uid=visit_uid,
        plan="",
        point_key=point.key,
        circuit=point.circuit,
        component=point.component,
        section=point.section,
        terminals=point.terminals,
        state=point.state,
        kind=point.kind,
        rating="",
        meter=Meter("", ""),
        station="",
        boot="",
        software="",
        clock_set=reading["clock_set"],
        void_reason=reason,
        assigned_utc_ns=None if reading["assigned"] is None else _ns(reading["assigned"]),
        correction=_correction(reading, corrections[-1], texts) if corrections else None,
    )


def _reading(reading: Sealed, display: Sealed) -> Reading:
    """Return a reading with a display: its own, or that of its newest correction."""
    return Reading(
        Quantity(display["quantity"]),
        _decimal(display["digits"]),
        display["unit"],
        Timestamp(_ns(reading["at"]), 0),
        Status(display["status"]),
        None if display["coupling"] is None else Coupling(display["coupling"]),
        low_battery=display["low_battery"],
        channel=reading["channel"],
    )


def _correction(reading: Sealed, newest: Sealed, texts: Mapping[str, str]) -> Correction:
    return Correction(
        _ns(newest["at"]),
        newest["driver"],
        newest["profile_hash"],
        _text(newest["technician"], f"correction {newest['uid']}", texts),
        _reading(reading, reading).text,
    )


def _judgement(verdict: Sealed) -> Judgement:
    limits = None
    if verdict["limits_unit"] is not None:
        limits = Limits(
            _decimal(verdict["limits_low"]),
            _decimal(verdict["limits_high"]),
            verdict["limits_unit"],
            verdict["limits_basis"],
        )
    return Judgement(
        Verdict(verdict["verdict"]),
        _margin(verdict),
        limits,
        _decimal(verdict["digits"]),
        _decimal(verdict["deviation_percent"]),
        _decimal(verdict["expanded_uncertainty"]),
        verdict["accuracy"],
        verdict["reason"],
        verdict["rule"],
        verdict["probability"],
        verdict["coverage_factor"],
        verdict["next_measurement"],
        verdict["prior"],
        verdict["calibration"],
        answer=verdict["answer"],
    )


def _earlier(verdict: Sealed) -> EarlierVerdict:
    return EarlierVerdict(
        _ns(verdict["judged"]), Verdict(verdict["verdict"]), _margin(verdict), verdict["limits_basis"],
        verdict["reason"], verdict["accuracy"], verdict["calibration"], verdict["rule"],
    )  # fmt: skip


def _replacement(replacement: Sealed, numbers: Mapping[str, int], site: Site, visit_uid: str) -> StoredReplacement:
    return StoredReplacement(
        replacement["uid"],
        1,
        visit_uid,
        site,
        Replacement(
            replacement["component"],
            replacement["circuit"],
            tuple(replacement["sections"]),
            replacement["old_rating"],
            replacement["new_rating"],
            after_number=numbers.get(replacement["after"], 0),
            utc_ns=_ns(replacement["at"]),
        ),
        {},
        None,
        replacement["objection"],
    )


def _margin(verdict: Sealed) -> Margin | None:
    return None if verdict["margin"] is None else Margin(verdict["margin"])


def _decimal(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)


def _ns(text: str) -> int:
    """Return a time of the sealed text in ns since 1970 UTC."""
    seconds, _, rest = text.removesuffix("Z").partition(".")
    return utc_nanoseconds(datetime.fromisoformat(f"{seconds}+00:00")) + int(rest)

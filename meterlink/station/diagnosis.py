"""What the visit in hand points to so far, and what is worked out of several of its readings. Pure."""

from collections.abc import Sequence

from meterlink.core.equipment import DerivedPoint
from meterlink.diagnosis.causes import Cause, Confidence, Diagnosis
from meterlink.diagnosis.derived_points import DerivedInputs, DerivedResult, judge_derived_points
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import (
    Case,
    Observation,
    PointReadings,
    judge_with_known_limits,
    parse_recorded_accuracy,
)
from meterlink.judge.judging import MeasuredValue
from meterlink.link.messages import CauseView, DerivedView
from meterlink.station.visit import AcceptedReading, ActiveVisit

# Below this a finding is one of several possibilities: shown on request, not said as advice.
_ACTIONABLE_CONFIDENCES = {Confidence.VERY_LIKELY, Confidence.LIKELY}


def diagnose_visit(visit: ActiveVisit) -> Diagnosis:
    """Return what the held readings of ``visit`` point to; test points without a reading lend their ratings."""
    return diagnose(Case(tuple(_point_readings(visit).values()), supply_frequency(visit.derived)))


def supply_frequency(points: Sequence[DerivedPoint]) -> float | None:
    """Return the supply frequency in Hz that a plan states for its under-load checks, None where it states none."""
    return next((float(check.frequency.base_value) for check in points if check.frequency is not None), None)


def derived_results(visit: ActiveVisit) -> tuple[DerivedResult, ...]:
    """Return what the plan's derived checks say of the held readings of ``visit``."""
    return judge_derived_points(
        visit.derived, DerivedInputs(_point_readings(visit), visit.limits, visit.capacitor_tolerance)
    )


def derived_views(derived: Sequence[DerivedResult]) -> list[DerivedView]:
    """Return what was worked out as watchers see it, in plan order."""
    return [
        DerivedView(
            key=each.point.key,
            title=each.point.title,
            kind=str(each.point.kind),
            verdict=None if each.verdict is None else str(each.verdict),
            margin=None if each.margin is None else str(each.margin),
            value=each.value,
            text=each.text,
            basis=each.basis,
            missing=list(each.missing),
        )
        for each in derived
    ]


def _point_readings(visit: ActiveVisit) -> dict[str, PointReadings]:
    return {
        key: judge_with_known_limits(point, tuple(_observation(held) for held in visit.accepted[key]))
        for key, point in visit.points.items()
    }


def foremost_cause(diagnosis: Diagnosis, accepted: AcceptedReading) -> Cause | None:
    """Return the foremost finding that rests on ``held`` and is sure enough to act on, if there is one."""
    about = (finding for finding in diagnosis.causes if accepted.number in finding.reading_numbers)
    return next((finding for finding in about if finding.confidence in _ACTIONABLE_CONFIDENCES), None)


def cause_views(diagnosis: Diagnosis) -> list[CauseView]:
    """Return the findings as watchers see them, the foremost first."""
    return [
        CauseView(
            title=finding.title,
            confidence=str(finding.confidence),
            evidence_for=list(finding.evidence_for),
            evidence_against=list(finding.evidence_against),
            next_measurement=finding.next_measurement,
            caution=finding.caution,
        )
        for finding in diagnosis.causes
    ]


def _observation(accepted: AcceptedReading) -> Observation:
    reading = accepted.reading
    return Observation(
        number=accepted.number,
        measured=MeasuredValue.from_reading(reading),
        accuracy=parse_recorded_accuracy(accepted.judgement.accuracy, reading.quantity),
        judgement=accepted.judgement,
        meter=accepted.meter,
        time=reading.timestamp.utc_ns * 1e-9,
        coupling=reading.coupling,
        low_battery=reading.low_battery,
    )

"""What the visit in hand points to so far, and what is worked out of several of its readings. Pure."""

from collections.abc import Sequence

from meterlink.core.equipment import DerivedCheck
from meterlink.diagnosis.causes import Confidence, Diagnosis, Finding
from meterlink.diagnosis.derived import Derived, Inputs, derive
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case, Observation, Takes, accuracy_of, judged_again
from meterlink.judge.judging import Measured
from meterlink.link.messages import DerivedView, FindingView
from meterlink.station.visit import ActiveVisit, Held

# Below this a finding is one of several possibilities: shown on request, not said as advice.
_SURE_ENOUGH = {Confidence.VERY_LIKELY, Confidence.LIKELY}


def diagnosis_of(visit: ActiveVisit) -> Diagnosis:
    """Return what the held readings of ``visit`` point to; test points without a reading lend their ratings."""
    return diagnose(Case(tuple(_takes(visit).values()), mains_of(visit.derived)))


def mains_of(checks: Sequence[DerivedCheck]) -> float | None:
    """Return the supply frequency in Hz that a plan states for its under-load checks, None where it states none."""
    return next((float(check.frequency.base) for check in checks if check.frequency is not None), None)


def derived_of(visit: ActiveVisit) -> tuple[Derived, ...]:
    """Return what the plan's derived checks say of the held readings of ``visit``."""
    return derive(visit.derived, Inputs(_takes(visit), visit.limits, visit.capacitor_tolerance))


def derived_views(derived: Sequence[Derived]) -> list[DerivedView]:
    """Return what was worked out as watchers see it, in plan order."""
    return [
        DerivedView(
            key=each.check.key,
            title=each.check.title,
            kind=str(each.check.kind),
            verdict=None if each.verdict is None else str(each.verdict),
            margin=None if each.margin is None else str(each.margin),
            value=each.value,
            text=each.text,
            basis=each.basis,
            missing=list(each.missing),
        )
        for each in derived
    ]


def _takes(visit: ActiveVisit) -> dict[str, Takes]:
    return {
        key: judged_again(point, tuple(_observation(held) for held in visit.held[key]))
        for key, point in visit.points.items()
    }


def finding_about(diagnosis: Diagnosis, held: Held) -> Finding | None:
    """Return the foremost finding that rests on ``held`` and is sure enough to act on, if there is one."""
    about = (finding for finding in diagnosis.findings if held.number in finding.readings)
    return next((finding for finding in about if finding.confidence in _SURE_ENOUGH), None)


def finding_views(diagnosis: Diagnosis) -> list[FindingView]:
    """Return the findings as watchers see them, the foremost first."""
    return [
        FindingView(
            title=finding.title,
            confidence=str(finding.confidence),
            evidence_for=list(finding.evidence_for),
            evidence_against=list(finding.evidence_against),
            next=finding.next_measurement,
            caution=finding.caution,
        )
        for finding in diagnosis.findings
    ]


def _observation(held: Held) -> Observation:
    reading = held.reading
    return Observation(
        number=held.number,
        measured=Measured.from_reading(reading),
        accuracy=accuracy_of(held.judgement.accuracy, reading.quantity),
        judgement=held.judgement,
        meter=held.meter,
        at=reading.stamp.utc_ns * 1e-9,
        coupling=reading.coupling,
        low_battery=reading.low_battery,
    )

"""What the visit in hand points to so far. Pure: from the visit to a diagnosis, and to what watchers see of it."""

from meterlink.collect.visit import ActiveVisit, Held
from meterlink.judge.diagnosis.engine import diagnose
from meterlink.judge.diagnosis.findings import Confidence, Diagnosis, Finding
from meterlink.judge.diagnosis.observed import Case, Observation, accuracy_of, judged_again
from meterlink.judge.judging import Measured
from meterlink.views import FindingView

# Below this a finding is one of several possibilities: shown on request, not said as advice.
_SURE_ENOUGH = {Confidence.VERY_LIKELY, Confidence.LIKELY}


def diagnosis_of(visit: ActiveVisit) -> Diagnosis:
    """Return what the held readings of ``visit`` point to; test points without a reading lend their ratings."""
    takes = (
        judged_again(point, tuple(_observation(held) for held in visit.held[key]))
        for key, point in visit.points.items()
    )
    return diagnose(Case(tuple(takes)))


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

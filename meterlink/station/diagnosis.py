"""The diagnosis and the derived points of the present visit. Pure."""

from collections.abc import Iterable, Iterator, Sequence

from meterlink.core.equipment import DerivedPoint, TestPoint
from meterlink.diagnosis.causes import Cause, Confidence, Diagnosis
from meterlink.diagnosis.derived_points import DerivedInputs, DerivedResult, judge_derived_points
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import (
    Case,
    Observation,
    PointReadings,
    is_evidence,
    judge_each_part,
    observe_accepted,
)
from meterlink.link.messages import CauseView, DerivedView
from meterlink.station.rules import shipped_rules
from meterlink.station.visit import AcceptedReading, ActiveVisit

# A less confident cause is one of several possibilities: shown on request, not given as advice.
_ACTIONABLE_CONFIDENCES = {Confidence.VERY_LIKELY, Confidence.LIKELY}


class VisitDiagnosis:
    """The diagnosis of a visit's accepted readings, and the results at its derived points.

    `update` makes new observations only of new readings: its cost does not grow with the readings before them.
    """

    def __init__(self, visit: ActiveVisit) -> None:
        self._visit = visit
        self._sources: dict[str, list[AcceptedReading]] = {}
        self._counts: dict[str, int] = {}  # accepted readings taken into account
        self._observations: dict[str, list[Observation]] = {}
        self._old_observations: dict[str, tuple[Observation, ...]] = {}
        self._readings: dict[str, PointReadings] = {}
        self.update()

    def update(self) -> None:
        """Take new readings, verdicts and ratings of the visit into account.

        A test point without a reading has its rating.
        """
        for key, point in self._visit.points.items():
            accepted = self._visit.accepted[key]
            is_changed = self._sources.get(key) is not accepted
            if is_changed:  # a new test point or part, or a reading was judged again
                old = self._visit.old_readings.get(key, ())
                self._sources[key], self._observations[key], self._counts[key] = accepted, [], 0
                self._old_observations[key] = tuple(_observations(old))
            known, count = self._readings.get(key), self._counts[key]
            if known is None or known.point is not point or count < len(accepted) or is_changed:
                self._observations[key] += _observations(accepted[count:])
                self._counts[key] = len(accepted)
                self._readings[key] = self._judge_by_known_limits(point)
        replacements = tuple(fitted.replacement for fitted in self._visit.fitted)
        case = Case(tuple(self._readings.values()), supply_frequency(self._visit.derived), replacements=replacements)
        self.diagnosis = diagnose(case, shipped_rules())
        present = {readings.point.key: readings for readings in case.point_readings}
        inputs = DerivedInputs(present, self._visit.limits, self._visit.capacitor_tolerance)
        self.derived = judge_derived_points(self._visit.derived, inputs)

    def _judge_by_known_limits(self, point: TestPoint) -> PointReadings:
        """Return the readings at ``point``, those of a part that was replaced by the limits of that part."""
        present = tuple(self._observations[point.key])
        at_point = [fitted.replacement for fitted in self._visit.fitted if point.key in fitted.keys]
        return judge_each_part(point, (*self._old_observations[point.key], *present), at_point)


def supply_frequency(points: Sequence[DerivedPoint]) -> float | None:
    """Return the supply frequency in Hz of a plan's under-load points, None if the plan states none."""
    return next((float(point.frequency.base_value) for point in points if point.frequency is not None), None)


def derived_views(derived: Sequence[DerivedResult]) -> list[DerivedView]:
    """Return the views of ``derived``, in the same order."""
    return [
        DerivedView(
            key=result.point.key,
            title=result.point.title,
            kind=result.point.kind,
            verdict=result.verdict,
            margin=result.margin,
            value=result.value,
            text=result.text,
            basis=result.basis,
            missing=list(result.missing),
        )
        for result in derived
    ]


def foremost_cause(diagnosis: Diagnosis, accepted: AcceptedReading) -> Cause | None:
    """Return the most confident cause that rests on ``accepted``, None if none is likely or very likely."""
    related = (cause for cause in diagnosis.causes if accepted.number in cause.reading_numbers)
    return next((cause for cause in related if cause.confidence in _ACTIONABLE_CONFIDENCES), None)


def cause_views(diagnosis: Diagnosis) -> list[CauseView]:
    """Return the views of the causes, the most confident first."""
    return [
        CauseView(
            title=cause.title,
            confidence=str(cause.confidence),
            evidence_for=list(cause.evidence_for),
            evidence_against=list(cause.evidence_against),
            next_measurement=cause.next_measurement,
            caution=cause.caution,
        )
        for cause in diagnosis.causes
    ]


def _observations(accepted: Iterable[AcceptedReading]) -> Iterator[Observation]:
    return (
        _observation(new)
        for new in accepted
        if is_evidence(new.reading, new.judgement, decoded_again=bool(new.accepted_as))
    )


def _observation(accepted: AcceptedReading) -> Observation:
    reading = accepted.reading
    return observe_accepted(
        accepted.number,
        reading,
        accepted.judgement,
        meter=accepted.meter,
        time=reading.timestamp.utc_ns * 1e-9,
    )

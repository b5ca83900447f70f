"""Judging the readings of a visit: the judge with the visit's limits and rules, and the meters' accuracy."""

import contextlib
from dataclasses import replace
from decimal import Decimal

from meterlink.core.calibration import local_day
from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Reading, Status
from meterlink.core.verdicts import Judgement, Verdict
from meterlink.judge.decision_rules import parse_decision_rule
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.station.acceptance import may_be_probes_alone
from meterlink.station.current_visit import CurrentVisit
from meterlink.station.known_meters import KnownMeter, KnownMeters
from meterlink.station.tracker import MeterTracker
from meterlink.station.visit import AcceptedReading, ActiveVisit, matches_function

# The beginning of the reason where a reading that was decoded again decides nothing.
_DECODED_AGAIN = "Decoded again it reads"


class VisitJudge:
    """Judges readings; ``celsius`` is the ambient temperature of the meters, None for 18 to 28 °C."""

    def __init__(self, current: CurrentVisit, known: KnownMeters, celsius: Decimal | None) -> None:
        self._current = current
        self._known = known
        self._celsius = celsius

    def set_ambient(self, celsius: Decimal | None) -> None:
        """Judge by this ambient temperature of the meters from now on."""
        self._celsius = celsius

    def judge(self, tracker: MeterTracker, point: TestPoint, reading: Reading) -> Judgement:
        """Return the judgement on a reading at ``point``, by the limits and the rule of the visit.

        It carries what is known of the meter's calibration on the day of the reading.

        Raises:
            InputError: the reading is impossible for its quantity.
        """
        return self._judge(self._current.visit, point, reading, self._known.at(tracker.address))

    def judge_again(self, visit: ActiveVisit, point: TestPoint, accepted: AcceptedReading) -> Judgement:
        """Return the judgement on an accepted reading of ``visit`` by the present limits, rule and accuracy.

        A question that was answered is not asked again where the same answer still decides it. A reading that the
        present limits cannot judge decides nothing; the reason says why.
        """
        before, limits = accepted.judgement, visit.limits[point.key]
        try:
            judgement = self.judge_at(visit, point, accepted.reading, accepted.address)
        except InputError as error:
            return Judgement(
                Verdict.CANNOT_TELL, None, limits, None, None, None, before.accuracy, str(error),
                str(visit.rules[point.key]), calibration=before.calibration,
            )  # fmt: skip
        answered = _answered(judgement, before.answer)
        if accepted.accepted_as and before.reason.startswith(_DECODED_AGAIN):  # other limits say nothing of the probes
            return replace(
                before, limits=limits, accuracy=answered.accuracy, rule=answered.rule, calibration=answered.calibration
            )
        return answered

    def judge_decoded_again(
        self, visit: ActiveVisit, point: TestPoint, accepted: AcceptedReading, decoded: Reading, *, at_rest: bool
    ) -> Judgement:
        """Return the judgement on an accepted reading of ``visit`` whose packet was ``decoded`` again.

        Its limits and its rule are those of its present verdict. It decides nothing where the visit would not have
        accepted it without a question: nobody can say any more where the probes were, or whether the display was
        ``at_rest`` for another reason than a wrong profile.
        """
        before = accepted.judgement
        reason = _refusal(point, decoded) or ("" if at_rest else "Its display was not at rest then.")
        if not reason:
            try:
                judgement = _answered(self._judge_by(visit, point, accepted, decoded), before.answer)
            except InputError as error:
                reason = str(error)
            else:
                if may_be_probes_alone(accepted.reading, before) or not may_be_probes_alone(decoded, judgement):
                    return judgement
                reason = "The probes alone may show this, and nobody was asked about them."
        return Judgement(
            Verdict.CANNOT_TELL, None, before.limits, None, None, None, before.accuracy,
            f"{_DECODED_AGAIN} {decoded.text}. {reason} Measure it again.", before.rule,
            calibration=before.calibration,
        )  # fmt: skip

    def _judge_by(self, visit: ActiveVisit, point: TestPoint, accepted: AcceptedReading, decoded: Reading) -> Judgement:
        before, meter = accepted.judgement, self._known.at(accepted.address)
        judgement = judge(
            point.kind, before.limits, MeasuredValue.from_reading(decoded), meter.sheet,
            rule=parse_decision_rule(before.rule), celsius=self._celsius, flow=visit.flow_at(point),
            coupling=point.coupling,
        )  # fmt: skip
        return judgement.with_calibration(before.calibration)

    def judge_at(self, visit: ActiveVisit, point: TestPoint, reading: Reading, address: str) -> Judgement:
        """Return the judgement on a reading of the meter whose first address is ``address``.

        Raises:
            InputError: the reading is impossible for its quantity.
        """
        return self._judge(visit, point, reading, self._known.at(address))

    def _judge(self, visit: ActiveVisit, point: TestPoint, reading: Reading, meter: KnownMeter) -> Judgement:
        judgement = judge(
            point.kind,
            visit.limits[point.key],
            MeasuredValue.from_reading(reading),
            meter.sheet,
            rule=visit.rules[point.key],
            celsius=self._celsius,
            flow=visit.flow_at(point),
            coupling=point.coupling,
        )
        if meter.calibration is None:
            return judgement
        return judgement.with_calibration(meter.calibration.describe(local_day(reading.timestamp.utc_ns)))

    def judge_latest(self, tracker: MeterTracker) -> Judgement | None:
        """Return the judgement on the tracker's latest reading, made once for each reading; None if it has none."""
        if tracker.judgement is None:
            point = self._current.visit.points.get(tracker.point_key) if tracker.point_key else None
            reading = tracker.latest
            if point is None or reading is None or reading.status is Status.INVALID or not reading.is_judgeable:
                return None
            with contextlib.suppress(InputError):  # a negative resistance has no verdict
                tracker.judgement = self.judge(tracker, point, reading)
        return tracker.judgement


def _answered(judgement: Judgement, answer: str) -> Judgement:
    """Return the conclusion of an answer that was given before, where it still decides the question."""
    choices = judgement.question.choices if judgement.question else ()
    return next((choice.conclusion for choice in choices if choice.key == answer), judgement)


def _refusal(point: TestPoint, decoded: Reading) -> str:
    """Return why a reading that was decoded again has no verdict at its test point; empty if it may have one."""
    if decoded.status is Status.INVALID:
        return "The profile reads no value there."
    if not decoded.is_judgeable:
        return "The display did not show the value at the probes."
    if not matches_function(point, decoded):
        wanted = f"{point.coupling} {point.quantity}" if point.coupling else str(point.quantity)
        return f"The {point.title} needs {wanted}."
    return ""

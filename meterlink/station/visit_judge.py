"""Judging the readings of a visit: the judge with the visit's limits and rules, and the meters' accuracy."""

import contextlib
from decimal import Decimal

from meterlink.core.calibration import local_day
from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Reading, Status
from meterlink.core.verdicts import Judgement, Verdict
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.station.current_visit import CurrentVisit
from meterlink.station.known_meters import KnownMeter, KnownMeters
from meterlink.station.tracker import MeterTracker
from meterlink.station.visit import AcceptedReading, ActiveVisit


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
        try:
            judgement = self.judge_at(visit, point, accepted.reading, accepted.address)
        except InputError as error:
            before, limits = accepted.judgement, visit.limits[point.key]
            return Judgement(
                Verdict.CANNOT_TELL, None, limits, None, None, None, before.accuracy, str(error),
                str(visit.rules[point.key]), calibration=before.calibration,
            )  # fmt: skip
        choices = judgement.question.choices if judgement.question else ()
        answered = (choice.conclusion for choice in choices if choice.key == accepted.judgement.answer)
        return next(answered, judgement)

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

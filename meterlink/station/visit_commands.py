"""The handlers of the watchers' commands on the visit."""

import asyncio
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace

from meterlink.capture.manual_entry import parse_manual_entry
from meterlink.core.clock import Clock
from meterlink.core.equipment import Meter, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.meter_proof import proof_note
from meterlink.core.readings import MANUAL_ENTRY, Phase
from meterlink.core.text import LONGEST_REMARK, clean_text
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement
from meterlink.plans import implied_unit
from meterlink.settling.detector import SettlingState
from meterlink.station.advice import display_mode_text
from meterlink.station.committer import Committer
from meterlink.station.current_visit import CurrentVisit
from meterlink.station.departure import DWELL_AFTER_LIFT
from meterlink.station.known_meters import TYPED_IN
from meterlink.station.meter_trackers import MeterTrackers
from meterlink.station.pipeline import Pipeline
from meterlink.station.tracker import MeterTracker, shows_voltage
from meterlink.station.visit import AcceptedReading, ActiveVisit, matches_function
from meterlink.station.visit_judge import VisitJudge
from meterlink.store.rows import CorrectionRow


class VisitCommands:
    """The handlers of commands on the visit; one that accepts a reading returns its number."""

    def __init__(
        self,
        current: CurrentVisit,
        trackers: MeterTrackers,
        visit_judge: VisitJudge,
        pipeline: Pipeline,
        committer: Committer,
        clock: Clock,
        *,
        update_diagnosis: Callable[[], None],
        request_show: Callable[[], None],
    ) -> None:
        self._current = current
        self._trackers = trackers
        self._judge = visit_judge
        self._pipeline = pipeline
        self._committer = committer
        self._clock = clock
        self._update_diagnosis = update_diagnosis
        self._request_show = request_show
        self._answering: set[int] = set()  # numbers of readings whose new verdict is being committed

    async def activate(self, point: TestPoint) -> None:
        """Make ``point`` the active test point."""
        self._current.visit.set_focus(point.key)
        self._withdraw_offers()

    async def next(self) -> None:
        """Move the active test point forward."""
        self._current.visit.move_focus(1)
        self._withdraw_offers()

    async def previous(self) -> None:
        """Move the active test point back."""
        self._current.visit.move_focus(-1)
        self._withdraw_offers()

    def _withdraw_offers(self) -> None:
        """Offer no other measurement any more: a person has chosen the test point."""
        for tracker in self._trackers:
            tracker.again_at = None

    async def repeat(self) -> None:
        """Measure the active test point again, or the one that the screen offers to measure again instead.

        Raises:
            InputError: the reading that would be voided is not committed yet.
        """
        offering = next((tracker for tracker in self._trackers if tracker.again_at is not None), None)
        if offering is not None and offering.again_at is not None:
            await self._measure_again_instead(offering, offering.again_at)
            return
        if self._current.visit.focus is None and self._current.visit.last_accepted is not None:
            self._current.visit.focus = self._current.visit.last_accepted
        for tracker in self._trackers:
            if self._current.visit.focus in {tracker.point_key, tracker.accepted_at}:
                tracker.restart()

    async def _measure_again_instead(self, tracker: MeterTracker, key: str) -> None:
        """Measure ``key`` again with the probes in place: a reading that was accepted elsewhere since is voided.

        Raises:
            InputError: that reading is not committed yet.
        """
        visit = self._current.visit
        if tracker.accepted_at is not None and tracker.accepted is not None:
            at = tracker.accepted_at
            accepted = next((kept for kept in visit.accepted[at] if kept.reading is tracker.accepted), None)
            if accepted is None:
                raise InputError("The reading is being saved.", "Press the key again.")
            await self._change_void(visit, at, accepted, f"measured at the {visit.points[key].title} again instead")
        visit.focus = key
        tracker.restart()

    async def accept(self) -> int:
        """Accept the reading on the display now.

        Raises:
            InputError: no meter measures the active test point, or its display shows another value than the probes'.
            VisitError: no visit is active.
        """
        visit, tracker = self._current.require(), self._trackers.displayed
        point = visit.points.get(tracker.point_key) if tracker and tracker.point_key else None
        if tracker is None or tracker.latest is None or point is None:
            raise InputError(
                "No meter measures the active test point.",
                "Put the probes on, and set the meter to the quantity of the test point.",
            )
        if not tracker.latest.is_judgeable:
            raise InputError(
                f"{tracker.name} {display_mode_text(tracker.latest)}.",
                "Switch that mode off on the meter, and measure again.",
            )
        return self._pipeline.accept(tracker, point, self._judge.judge(tracker, point, tracker.latest), 0.0)

    async def prove(self, text: str) -> Mapping[str, object]:
        """Keep a note that a meter was proven on a known source, by ``text`` or by the steady voltage on its display.

        A reading that a test point has accepted from these probes is voided: it was of the source.

        Returns:
            ``{"note": the note, "voided": the uid of the voided reading, or empty}``.

        Raises:
            InputError: no meter reads a steady voltage, several do, or the text is no voltage.
            VisitError: no visit is active.
        """
        visit = self._current.require()
        if text:
            reading = parse_manual_entry(text, self._clock.now(), Quantity.VOLTAGE)
            if not shows_voltage(reading):
                raise InputError(f"{reading.text} proves no meter.", "Use a source of more volts than stray pick-up.")
            note = proof_note(reading)
            await self._committer.add_note(visit, note)
            return {"note": note, "voided": ""}
        tracker = self._proving_tracker()
        shown = tracker.accepted if tracker.accepted_at and tracker.accepted else tracker.latest
        assert shown is not None  # noqa: S101  # it has a voltage
        voided = await self._void_reading_of_source(visit, tracker)
        tracker.begin_proving()
        note = proof_note(shown, tracker.name)
        await self._committer.add_note(visit, note)
        return {"note": note, "voided": voided}

    def _proving_tracker(self) -> MeterTracker:
        """Return the meter that reads a steady voltage.

        Raises:
            InputError: none does, or several do.
        """
        steady = [
            tracker
            for tracker in self._trackers.beside(None)
            if tracker.latest is not None
            and shows_voltage(tracker.latest)
            and tracker.settling.phase is Phase.ACCEPTED
            and tracker.latest.is_judgeable
        ]
        if not steady:
            raise InputError(
                "No meter reads a steady voltage.",
                "Put the probes on a known source, and wait until the display is at rest.",
            )
        if len(steady) > 1:
            names = ", ".join(tracker.name for tracker in steady)
            raise InputError(f"{len(steady)} meters read a voltage: {names}.", "Leave one of them on the known source.")
        return steady[0]

    async def _void_reading_of_source(self, visit: ActiveVisit, tracker: MeterTracker) -> str:
        """Void the reading that was accepted from the known source, if one was; return its uid, else nothing."""
        readings = visit.accepted.get(tracker.accepted_at or "", [])
        accepted = next((kept for kept in readings if kept.reading is tracker.accepted), None)
        if accepted is None or tracker.accepted_at is None:
            return ""
        await self._change_void(visit, tracker.accepted_at, accepted, "read on a known source, to prove the meter")
        return accepted.uid

    async def set_rating(self, point: TestPoint, text: str) -> None:
        """Set the rating that is printed on the part, and judge the accepted readings by it.

        Raises:
            InputError: the text is no rating.
            VisitError: no visit is active.
        """
        visit = self._current.require()
        visit.read_rating(point, text)  # a text that is no rating answers no question
        await self.confirm_existence(visit, point)
        before = {key: visit.rating_text(key) for key in visit.points}
        ratings = visit.set_rating(point.key, text)
        for point_key, rating in ratings.items():
            await self._committer.set_rating(visit, point_key, rating)
        changed = [key for key in ratings if visit.rating_text(key) != before[key]]
        await self.judge_again(visit, [accepted.number for key in changed for accepted in visit.accepted[key]])
        self._update_diagnosis()

    async def check_rating(self, point: TestPoint, text: str) -> Mapping[str, object]:
        """Return in words how a typed rating is understood; nothing is changed.

        Raises:
            OpenQuestionError: the text has several meanings.
            InputError: the text is no rating.
            VisitError: no visit is active.
        """
        return {"understood": self._current.require().describe_rating(point, text)}

    async def confirm_existence(self, visit: ActiveVisit, point: TestPoint) -> None:
        """Answer the questions of the plan on which ``point`` depends: who reads a part has seen it."""
        answers = visit.answers_implied_by(point)
        if point.key not in visit.points and answers is not None:
            await self._committer.set_answers(visit, answers)
            visit.set_answers(answers)

    async def judge_again(self, visit: ActiveVisit, rated_anew: Collection[int] = ()) -> int:
        """Judge the accepted readings again whose limits, rule, accuracy or calibration are others now.

        So are those with a number in ``rated_anew``, whose rating has another text: a verdict is kept with the rating,
        and another rating at the next visit would be another part. Earlier verdicts stay in the database, with their
        reasons. In a visit without its plan the others keep their verdicts: their limits may be the plan's.

        Returns:
            The number of the readings with a new verdict.
        """
        count = 0
        for point in tuple(visit.points.values()):
            for accepted in tuple(visit.accepted[point.key]):
                if visit.lacks_plan and accepted.number not in rated_anew:
                    continue
                judgement = self._judge.judge_again(visit, point, accepted)
                if accepted.number in rated_anew or _foundation(judgement) != _foundation(accepted.judgement):
                    await self._replace_judgement(visit, point, accepted, judgement)
                    count += 1
        if count and visit is self._current.visit:
            self._update_diagnosis()
        return count

    async def publish_again(self) -> None:
        """Judge the accepted readings of the active visit by its present limits, and publish them with its place.

        Where nothing is published, only the readings whose limits have changed get a new verdict.
        """
        visit = self._current.require()
        await self.judge_again(visit)
        if self._committer.publishes:
            for point in tuple(visit.points.values()):
                for accepted in tuple(visit.accepted[point.key]):
                    await self._replace_judgement(visit, point, accepted, accepted.judgement)
        self._update_diagnosis()

    async def enter(self, text: str, point: TestPoint | None) -> int:
        """Accept a typed reading at ``point``, else at the active test point, without settling; return its number.

        It returns when the reading is committed, so that the next value typed finds the next test point; a disk that is
        full keeps nobody waiting.

        Raises:
            InputError: no test point is active, or the text is no reading of its quantity.
            VisitError: no visit is active.
        """
        self._advance_after_entry()
        visit = self._current.require()
        point = point or visit.points.get(visit.focus or "")
        if point is None:
            raise InputError("No test point is active to type a reading for.", "Select a test point first.")
        reading = parse_manual_entry(text, self._clock.now(), point.quantity, implied_unit(point))
        if not matches_function(point, reading):
            wanted = f"{point.coupling} {point.quantity}" if point.coupling else str(point.quantity)
            raise InputError(
                f"{reading.text} is no reading of {wanted}, which the {point.title} needs.",
                "Select the test point of this reading.",
            )
        await self.confirm_existence(visit, point)
        point = visit.point(point.key)
        tracker = self._trackers.get(MANUAL_ENTRY) or await self._trackers.register_typed_in(
            Meter(MANUAL_ENTRY, TYPED_IN, MANUAL_ENTRY)
        )
        judgement = self._judge.judge(tracker, point, reading)
        tracker.latest, tracker.point_key, tracker.judgement = reading, point.key, judgement
        tracker.settling = SettlingState(Phase.ACCEPTED)
        tracker.reading_count += 1
        number = self._pipeline.accept(tracker, point, judgement, 0.0)
        await self._committer.wait_briefly()
        return number

    async def answer(self, answer: str, reading: int, question: str) -> int | None:
        """Answer the question about an accepted reading, or the question ``question`` of the plan.

        Without either, the only open question is answered, the plan's before those about readings. A reading is then
        judged again; its earlier verdict stays in the database. The plan gets the test points that follow.

        Returns:
            The number of the reading; None for a question of the plan.

        Raises:
            InputError: there is no such question or no such choice, or the question is answered already.
            VisitError: no visit is active.
        """
        visit = self._current.require()
        plan_question = visit.plan_question()
        if not question and not reading and plan_question is not None:
            question = plan_question.key
        if not question:
            return await self._answer_reading(visit, answer, reading)
        answers = visit.answers_with(question, answer)
        if self._answering:
            raise InputError("Another question is being answered.", "Answer again.")
        self._answering.add(0)
        try:
            await self._committer.set_answers(visit, answers)
        finally:
            self._answering.discard(0)
        visit.set_answers(answers)
        await self.judge_again(visit)
        self._update_diagnosis()
        return None

    async def _answer_reading(self, visit: ActiveVisit, answer: str, reading: int) -> int:
        point, accepted, question = visit.asked_reading(reading)
        judgement = question.choose(answer).conclusion
        if accepted.number in self._answering:
            raise InputError(f"The question about the accepted reading {accepted.number} is being answered.")
        self._answering.add(accepted.number)
        try:
            await self._replace_judgement(visit, point, accepted, judgement)
        finally:
            self._answering.discard(accepted.number)
        self._update_diagnosis()
        return accepted.number

    async def _replace_judgement(
        self, visit: ActiveVisit, point: TestPoint, accepted: AcceptedReading, judgement: Judgement
    ) -> None:
        """Commit a new verdict on an accepted reading and show it; the earlier one stays in the database."""
        again = replace(accepted, judgement=judgement, revision=accepted.revision + 1)
        await self._committer.commit_verdict(visit, point, again)
        visit.judge_again(point.key, again)
        for tracker in self._trackers:
            if tracker.accepted is again.reading:
                tracker.judgement = judgement

    async def correct(
        self, visit: ActiveVisit, point: TestPoint, accepted: AcceptedReading, correction: CorrectionRow
    ) -> None:
        """Commit that the packet of an accepted reading was decoded again; its earlier display and verdicts stay.

        Raises:
            StoreError: it could not be stored.
        """
        changed = replace(
            accepted,
            reading=correction.reading,
            judgement=correction.judgement,
            revision=accepted.revision + 1,
            accepted_as=accepted.accepted_as or accepted.reading.text,
        )
        await self._committer.commit_correction(visit, point, changed, correction)
        visit.replace_reading(point.key, changed)
        for tracker in self._trackers:
            if tracker.accepted is accepted.reading:
                tracker.accepted, tracker.judgement = changed.reading, changed.judgement
        if visit is self._current.visit:
            self._update_diagnosis()

    async def void(self, uid: str, text: str) -> None:
        """Void an accepted reading for a reason: it is kept, and counts nowhere.

        Raises:
            InputError: there is no such reading, it is voided already, or the reason is empty.
            VisitError: no visit is active.
        """
        visit = self._current.require()
        reason = clean_text(text, LONGEST_REMARK)
        if not reason:
            raise InputError("The reason is empty.", "Write why the reading is voided.")
        key, accepted = visit.find_accepted(uid)
        if accepted.void_reason:
            raise InputError(f"The reading {accepted.reading.text} is voided already: {accepted.void_reason}.")
        await self._change_void(visit, key, accepted, reason)

    async def unvoid(self, uid: str) -> None:
        """Let a voided reading count again.

        Raises:
            InputError: there is no such reading, or it is not voided.
            VisitError: no visit is active.
        """
        visit = self._current.require()
        key, accepted = visit.find_accepted(uid)
        if not accepted.void_reason:
            raise InputError(f"The reading {accepted.reading.text} is not voided.")
        await self._change_void(visit, key, accepted, "")
        await self.judge_again(visit)

    async def _change_void(self, visit: ActiveVisit, key: str, accepted: AcceptedReading, reason: str) -> None:
        changed = replace(accepted, void_reason=reason, revision=accepted.revision + 1)
        point = next(point for point in visit.plan.points if point.key == key)
        await self._committer.commit_void(visit, point, changed)
        visit.void(key, changed)
        for tracker in self._trackers:
            if reason and tracker.accepted is accepted.reading:
                tracker.leave_visit()
        self._update_diagnosis()

    def plan_advance_after_entry(self, accepted: AcceptedReading) -> None:
        """Go to the next test point when the verdict on a committed typed reading was shown long enough."""
        tracker = self._trackers.get(MANUAL_ENTRY)
        if tracker is None or accepted.reading is not tracker.accepted:
            return
        age = (self._clock.now().monotonic_ns - accepted.reading.timestamp.monotonic_ns) * 1e-9

        def advance() -> None:
            if tracker.accepted is accepted.reading:
                self._advance_after_entry()
                self._request_show()

        asyncio.get_running_loop().call_later(max(0.0, DWELL_AFTER_LIFT - age), advance)

    def _advance_after_entry(self) -> None:
        """Go to the next test point if the last typed reading is committed."""
        tracker = self._trackers.get(MANUAL_ENTRY)
        if tracker is None or tracker.accepted_at is None or tracker.accepted is None:
            return
        committed = self._current.visit.accepted[tracker.accepted_at]
        if committed and committed[-1].reading is tracker.accepted:
            self._current.visit.probes_removed(tracker.accepted_at)
            tracker.restart()
            tracker.latest = None


def _foundation(judgement: Judgement) -> tuple[object, ...]:
    """Return the limits, the rule and the meter behind a verdict: while they are the same, the verdict stands."""
    return judgement.limits, judgement.rule, judgement.accuracy, judgement.calibration

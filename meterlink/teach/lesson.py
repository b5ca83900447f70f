"""One lesson: the ways to cut a capture's packets, tried until an explanation agrees with every entry."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import cached_property

from meterlink.capture.capture_file import ENTRY_WINDOW, Capture, DisplayEntry, pair_packets
from meterlink.capture.unit_questions import unit_question
from meterlink.core.clock import Timestamp
from meterlink.core.text import count_phrase
from meterlink.driver_api import Reading, Status
from meterlink.teach import limits
from meterlink.teach.accepted_profile import AcceptedProfile, accepted_report, find_rival, hold_out
from meterlink.teach.agreement import Agreement
from meterlink.teach.contradictions import find_contradictions, name_contradictions
from meterlink.teach.decoding import allows, frame_decoder, open_driver
from meterlink.teach.doubts import (
    LAST_DIGIT_OPEN,
    OFF_BY_ONE,
    last_digit_is_open,
    number_is_off_by_one,
    unlike_the_others,
)
from meterlink.teach.explanations import NO_EXPLANATION, Explanation
from meterlink.teach.joined_frames import describe_unpaired
from meterlink.teach.late_codes import LATE_CODES, codes_are_late
from meterlink.teach.likely_frames import Look
from meterlink.teach.masks import find_mask
from meterlink.teach.parts import readings_to_add
from meterlink.teach.prospects import Prospect, agreement_in, find_prospects
from meterlink.teach.report import Contradiction, TeachReport
from meterlink.teach.samples import Sample, label_frames
from meterlink.teach.stopping import IsStopped, StoppedSearchError, never
from meterlink.teach.taught_profile import ProfileHead
from meterlink.teach.unexplained import ContradictedWordError, UnexplainedError
from meterlink.teach.ways import Way, find_ways
from meterlink.teach.wishes import A_STILL_READING

_Tried = tuple[Way, Sequence[Sample]]
"""A way of cutting, and its frames with an entry."""


class Lesson:
    """Teaches from one capture; ``name`` is that of the profile, and ``is_stopped`` ends the search."""

    def __init__(self, capture: Capture, name: str, is_stopped: IsStopped = never) -> None:
        self._capture = capture
        self._head = ProfileHead(name, capture.meter)
        self._is_stopped = is_stopped
        self._found: AcceptedProfile | None = None

    def report(self) -> TeachReport:
        """Return the report. A stop or an interrupt from the keyboard ends the search, with the best so far."""
        try:
            return self._search()
        except (KeyboardInterrupt, StoppedSearchError):
            if self._found is None:
                return replace(self._refused("the search was stopped before it found a profile", ()), stopped=True)
            return replace(self._accepted(self._found), stopped=True)

    @cached_property
    def _unused(self) -> tuple[DisplayEntry, ...]:
        used = {id(label) for _, label in pair_packets(self._capture) if label is not None}
        return tuple(label for label in self._capture.entries if id(label) not in used)

    # The search.

    def _search(self) -> TeachReport:
        labels = [label for label in self._capture.entries if label not in self._unused]
        if len(labels) < limits.FEWEST_ENTRIES:
            number = count_phrase(len(labels), "entry")
            return self._refused(f"{number} with packets, too few to begin with", ("readings that differ",))
        if question := _question(labels):
            return self._refused(question, ())
        tried: list[_Tried] = []
        reasons: list[str] = []
        report = _first_good(self._reports(labels, tried, reasons))
        return report or self._unexplained(labels, tried, reasons[0] if reasons else NO_EXPLANATION)

    def _reports(self, labels: list[DisplayEntry], tried: list[_Tried], reasons: list[str]) -> Iterator[TeachReport]:
        """Yield a report on each way of cutting in which an explanation agrees with every entry.

        The ways are added to ``tried``, and why others explain not every entry to ``reasons``.
        """
        contradicted = 0.0  # the most packets that begin a frame, in a way of cutting that an entry contradicts
        for way in find_ways(self._capture, self._head, self._is_stopped):
            _, samples = label_frames(way.frames, labels)
            least = limits.LEAST_SHARE_LABELLED if way.check is None else limits.LEAST_SHARE_LABELLED_CHECKED
            if len(samples) < least * len(labels):
                continue
            tried.append((way, samples))
            begun = 0.0
            try:
                explained = way.learn(samples)
                begun = self._share_begun(way, explained)
                # Frames that begin amid packets hold the end of one display and the beginning of the next. They also
                # explain the entries of a still display, and may do so where one packet of the true frames is missing.
                if begun < contradicted * limits.LEAST_SHARE_BEGUN:
                    continue
                learned = self._verified(way, explained, labels, samples)
            except ContradictedWordError as error:
                yield self._refused(str(error), ())
                continue
            except UnexplainedError as error:
                contradicted = max(contradicted, begun)
                if str(error) != NO_EXPLANATION:
                    reasons.append(str(error))
                continue
            # Where an entry has no frame, the frames may be of one kind only, and a slip may stand among the others.
            fuller = [one for one in tried if len(one[1]) > len(samples)]
            reason = reasons[0] if reasons else NO_EXPLANATION
            yield self._most_agree(fuller, reason) or self._concluded(way, samples, learned)

    def _share_begun(self, way: Way, learned: Explanation) -> float:
        """Return the number of packets that begin a frame, as a share of the frames."""
        start = learned.profile.framing.start if learned.profile.framing is not None else b""
        packets = (packet.data for packet in self._capture.packets if packet.channel in way.channels)
        return sum(data.startswith(start) for data in packets) / len(way.frames)

    def _verified(
        self, way: Way, learned: Explanation, labels: Sequence[DisplayEntry], samples: Sequence[Sample]
    ) -> Explanation:
        """Return ``learned`` if its profile, fed the packets in order, agrees with every entry.

        Raises:
            UnexplainedError: a reading contradicts an entry.
        """
        driver = open_driver(learned.profile, way.channels)
        frames = {frame for _, frame in way.frames}
        described: dict[int, DisplayEntry | None] = {}  # by the time of the packet that completes a frame
        made: dict[int, list[Reading]] = {}
        for packet, label in pair_packets(Capture(self._capture.packets, tuple(labels))):
            if packet.channel not in way.channels:
                continue
            moment = round(packet.seconds * 1e9)
            described[moment] = label
            for reading in driver.feed(packet.channel, packet.data, Timestamp(moment, moment)):
                entry = described[reading.timestamp.monotonic_ns]
                # Other packets make invalid readings, which prove nothing about the display.
                if entry is not None and reading.packet in frames:
                    made.setdefault(id(entry), []).append(reading)
        # Beside a packet with an unknown bit, or another range, a frame of two packets is not read. Neither is a line
        # behind a strange one.
        is_text = learned.profile.text is not None
        unread = 0
        for sample in samples:
            readings = made.get(id(sample.entry), [])
            # Frames that arrive at one time, in a burst, are all of the window: the one that was read counts.
            of_frame = [reading for reading in readings if reading.packet == sample.frame] or readings
            last = of_frame[-1] if of_frame else None
            if (learned.has_parts and last is None) or (is_text and _is_unread(last)):
                unread += 1
                if unread <= (1 - limits.LEAST_MAJORITY) * len(samples):
                    continue
            if not allows(last, sample.displayed):
                raise UnexplainedError(f"the profile found contradicts the entry {sample.entry.text!r}")
        return learned

    def _unexplained(self, labels: Sequence[DisplayEntry], tried: Sequence[_Tried], reason: str) -> TeachReport:
        """Return the report where no explanation agrees with every entry: the agreement of most, or contradictions."""
        if (agreed := self._most_agree(tried, reason)) is not None:
            return agreed
        if masked := find_mask(self._capture):
            return self._refused(masked, ())
        contradictions = find_contradictions(tried)
        if not contradictions and (unpaired := describe_unpaired(self._capture)):
            reason = f"{reason}. It looks like this: {unpaired}"
        wanted = () if contradictions else readings_to_add([label.displayed_value for label in labels])
        return self._refused(reason, wanted, contradictions)

    def _most_agree(self, tried: Sequence[_Tried], reason: str) -> TeachReport | None:
        """Return the report on the entries that most agree on, in one of these ways; None without agreement."""
        agreements = ((prospect, agreement_in(prospect)) for prospect in find_prospects(tried))
        return _first_good(self._agreed(one, agreed, reason) for one, agreed in agreements if agreed is not None)

    def _agreed(self, prospect: Prospect, agreement: Agreement, reason: str) -> TeachReport:
        """Return the report on entries of which most agree: a profile if all of them do."""
        way, samples = prospect.way, prospect.samples
        near = tuple(samples[index].entry for index in sorted(agreement.near))
        if number_is_off_by_one(samples, agreement):
            return self._refused(OFF_BY_ONE, (A_STILL_READING,), (), near)
        if agreement.slips:
            reason = unlike_the_others(samples, agreement) or reason
            return self._refused(reason, (), name_contradictions(samples, agreement.slips, agreement.rivals), near)
        if last_digit_is_open(prospect.looks, agreement):
            return self._refused(LAST_DIGIT_OPEN, (A_STILL_READING,), (), near)
        read_samples = [_read_sample(prospect.looks[index], at) for index, at in sorted(agreement.read_frames.items())]
        try:
            labels = [sample.entry for sample in read_samples]
            learned = self._verified(way, way.learn(read_samples), labels, read_samples)
        except UnexplainedError as error:
            return self._refused(str(error), (), (), near)
        concluded = self._concluded(way, read_samples, learned)
        unused = tuple(entry for entry in concluded.unused_entries if entry not in near)
        return replace(concluded, near_entries=near, unused_entries=unused)

    # The report.

    def _concluded(self, way: Way, samples: Sequence[Sample], learned: Explanation) -> TeachReport:
        """Return the report on a profile that agrees with all ``samples``: without it if a rival agrees, too."""
        rival = find_rival(way, learned, samples)
        if rival is not None:
            return self._refused(rival.reason(), (rival.wanted_reading(),))
        # The order of two packets that are one frame is learned with the frames.
        decode = frame_decoder(learned.profile, way.channel, way.ending)
        if not learned.has_parts and codes_are_late(decode, (frame for _, frame in way.frames)):
            return self._refused(LATE_CODES, ())
        found = AcceptedProfile(way, samples, learned, [None] * len(samples))
        self._found = self._found or found
        hold_out(found)
        return self._accepted(found)

    def _accepted(self, found: AcceptedProfile) -> TeachReport:
        used = {sample.entry.seconds for sample in found.samples}
        unused = tuple(entry for entry in self._capture.entries if entry.seconds not in used)
        return accepted_report(found, self._capture, unused)

    def _refused(
        self,
        reason: str,
        wanted: tuple[str, ...],
        contradictions: tuple[Contradiction, ...] = (),
        near: tuple[DisplayEntry, ...] = (),
    ) -> TeachReport:
        return TeachReport(
            profile=None,
            entries=len(self._capture.entries),
            frames=0,
            reason=reason,
            contradictions=contradictions,
            unused_entries=self._unused,
            near_entries=near,
            suggested_readings=wanted,
        )


def _is_unread(reading: Reading | None) -> bool:
    return reading is None or reading.status is Status.INVALID


def _first_good(reports: Iterable[TeachReport]) -> TeachReport | None:
    """Return the first report, or else a later one; None if there is none.

    A later one is taken if the first profile reads few of the packets, and the later one most of them, and more.
    """
    poor: TeachReport | None = None
    for report in reports:
        if poor is None and not _is_poor(report):
            return report
        if poor is not None and _is_better(report, poor):
            return report
        poor = poor or report
    return poor


def _is_poor(report: TeachReport) -> bool:
    """Return whether there is a profile that reads few of the frames without an entry, or of the entries held out."""
    entries = sum(function.entries for function in report.functions)
    right = sum(function.right for function in report.functions)
    few_read = report.unlabelled_read < limits.LEAST_MAJORITY * report.unlabelled_frames
    return report.has_profile and (few_read or right < limits.LEAST_MAJORITY * entries)


def _is_better(report: TeachReport, poor: TeachReport) -> bool:
    """Return whether a profile is no poor one and reads more; it might only leave frames out, as of another kind."""
    return report.has_profile and not _is_poor(report) and report.unlabelled_read > poor.unlabelled_read


def _read_sample(look: Look, at: int) -> Sample:
    """Return the sample of an entry for which frame ``at`` of its look was read, with the frames just before."""
    read_at = look.times[at]
    entry = replace(look.sample.entry, begin=read_at - ENTRY_WINDOW, end=read_at)
    before = zip(look.times[: at + 1], look.frames[: at + 1], strict=True)
    return Sample(entry, look.sample.displayed, tuple(frame for t, frame in before if t >= entry.begin))


def _question(labels: Sequence[DisplayEntry]) -> str:
    """Return the question that the first unclear entry raises; empty if all are clear."""
    for label in labels:
        if (question := unit_question(label.text)) is not None:
            where = f"line {label.line_number}" if label.line_number else f"at {label.seconds:g} s"
            return f"the entry {where} is not clear: {question}".rstrip(".")
    return ""

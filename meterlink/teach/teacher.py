"""Teaching from a capture, or from packets and entries as they arrive."""

from dataclasses import replace

from meterlink.capture.capture_file import (
    Capture,
    CapturedMeter,
    CapturedPacket,
    DisplayEntry,
    make_display_entry,
)
from meterlink.teach import limits
from meterlink.teach.excerpt import take_excerpt
from meterlink.teach.hexadecimal_text import find_hexadecimal_text
from meterlink.teach.lesson import Lesson
from meterlink.teach.report import TeachReport
from meterlink.teach.stopping import IsStopped, never


def teach(capture: Capture, name: str = "taught") -> TeachReport:
    """Return a report with a profile that explains every entry of ``capture``, or with the reason why there is none.

    ``name`` is the name of the profile (lower-case letters, digits, hyphens). No capture raises an error.
    """
    teacher = Teacher(name, capture.meter)
    teacher.add_capture(capture)
    return teacher.result()


class Teacher:
    """Learns from packets and entries as they arrive.

    Times are seconds on any clock, the same for both. `result` is computed on request, and again only after an
    addition. ``is_stopped`` is asked often, in the thread that computes: true ends the search, with the best so far.
    """

    def __init__(self, name: str = "taught", meter: CapturedMeter | None = None, is_stopped: IsStopped = never) -> None:
        self._name = name
        self._is_stopped = is_stopped
        self._meter = meter
        self._packets: list[CapturedPacket] = []
        self._labels: list[DisplayEntry] = []
        self._report: TeachReport | None = None

    def add_packet(self, t: float, channel: str, data: bytes) -> None:
        """Add a packet that arrived at ``t`` seconds on ``channel`` (a `Characteristic.key`)."""
        self._packets.append(CapturedPacket(t, channel, data))
        self._report = None

    def add_entry(self, t: float, text: str, begin: float | None = None, end: float | None = None) -> None:
        """Add the value that the display showed at ``t`` seconds.

        ``begin`` and ``end`` (seconds) limit the packets that it describes; None for the usual window.

        Raises:
            InputError: the text is not a displayed value, or the window ends before it begins.
        """
        self._labels.append(make_display_entry(t, text, begin, end))
        self._report = None

    def add_capture(self, capture: Capture) -> None:
        """Add all packets and entries of a capture."""
        self._packets += capture.packets
        self._labels += capture.entries
        self._meter = capture.meter or self._meter
        self._report = None

    def result(self) -> TeachReport:
        """Return the report on all packets and entries so far.

        An interrupt from the keyboard, or ``is_stopped``, ends the search; the report is then the best so far.
        """
        if self._report is None:
            packets = tuple(sorted(self._packets, key=lambda packet: packet.seconds))
            labels = tuple(sorted(self._labels, key=lambda label: label.seconds))
            self._report = _report(take_excerpt(Capture(packets, labels, self._meter)), self._name, self._is_stopped)
        return self._report

    def next_suggestion(self) -> str:
        """Return a sentence that asks for the most useful reading; empty if no reading would help further."""
        report = self.result()
        if report.contradictions:
            return f"Check this: {report.contradictions[0]}."
        if report.entries < limits.FEWEST_ENTRIES:
            return "Show readings that differ, and type each in: different digits, in every place."
        return f"Most useful now: {report.suggested_readings[0]}." if report.suggested_readings else ""


def _report(capture: Capture, name: str, is_stopped: IsStopped) -> TeachReport:
    """Return the report on the packets as they are; without a profile, on the bytes that their digits mean."""
    report = Lesson(capture, name, is_stopped).report()
    if report.profile is not None or report.stopped:
        return report
    for text in find_hexadecimal_text(capture):
        found = Lesson(text.capture, name, is_stopped).report()
        profile = None if found.profile is None else text.profile_of(found.profile)
        if profile is not None:
            return replace(found, profile=profile, framing=f"lines of hexadecimal digits; {found.framing}")
        if found.stopped:
            return replace(report, stopped=True)
        if found.profile is None and found.contradictions and not report.contradictions:
            report = found
    return report

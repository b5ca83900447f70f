"""Meters nobody has described, taught and then read: ``python -m studies.teaching.study``.

For every encoding of `meterlink_simulators.encoders.catalogue` a session over the virtual radio is recorded and
labelled, `meterlink.teach` makes a profile of it, and the profile decodes a second session on other parts, all of whose
packets count: settled displays, ranging, creeping, overload. What the display showed is known for each.

- *target*: labels that ought to suffice: 12 for one function of a frame or line that carries a number, 25 for one of a
  display's segments, 40 for six functions;
- *needed*: the smallest number of labels that did (found by bisection, so more labels are taken to do no worse):
  a profile came of it, no value was wrong and at most one display in fifty refused;
- *time*: seconds that teaching took with the target number of labels, on this machine, one core;
- *right*, *refused*, *wrong*: displays of the second session, taught with the target number of labels. Refused is a
  display that gives no reading or an invalid one; blank displays must.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from time import perf_counter

import click

from meterlink.capture.capture_file import Capture
from meterlink.core.clock import Timestamp
from meterlink.core.errors import InputError
from meterlink.core.readings import Reading, Status
from meterlink.core.units import to_base
from meterlink.driver_api import Characteristic
from meterlink.profiles import Profile, compile_profile
from meterlink.teach import teach
from meterlink_simulators.display import DisplayState
from meterlink_simulators.driver_kit import characteristics
from meterlink_simulators.encoders.catalogue import ENCODER_FAMILIES, create_encoder
from meterlink_simulators.ranges import MeterFunction
from studies.teaching.cases import SIX_FUNCTIONS, RecordedSession, record_session

BEGIN, END = "<!-- teaching study: begin -->", "<!-- teaching study: end -->"

_SEGMENTED = {"segments", "masked"}
_UNSEEN_READINGS = 60
# The share of displays that may be refused where labels are said to suffice: a digit nobody showed in its place is
# seldom met, and is better refused than guessed.
_MOST_REFUSED_SHARE = 0.02
_SEARCH_FACTOR = 2  # times the target is how far the number of labels needed is looked for
# A binary32 carries 24 bits: what is read back is within half of its last one, 2⁻²⁵ of the value or 3e-8.
_FLOAT_TOLERANCE = Decimal("6e-8")
_AFTER_LABEL = 1.0  # s of packets that a shortened capture keeps behind its last label


@dataclass(frozen=True, slots=True)
class TeachingTask:
    """One meter to be taught, in the functions named. ``target`` is the number of labels that ought to suffice."""

    family: str
    variant: int
    functions: tuple[MeterFunction, ...]

    @property
    def target(self) -> int:
        """Labels that ought to suffice."""
        if len(self.functions) > 1:
            return 40
        return 25 if self.family in _SEGMENTED else 12


@dataclass(slots=True)
class DisplayTally:
    """What a profile made of displays that are known."""

    right: int = 0
    refused: int = 0
    wrong: int = 0
    errors: list[str] = field(default_factory=list)

    @property
    def displays(self) -> int:
        """How many there were."""
        return self.right + self.refused + self.wrong


@dataclass(slots=True)
class TeachingResult:
    """What came of one task.

    ``seconds`` is what teaching took, ``refusal`` why there is no profile, ``searched`` whether the number of labels
    ``needed`` was looked for; None where it was not found.
    """

    task: TeachingTask
    seconds: float
    tally: DisplayTally
    searched: bool = False
    needed_labels: int | None = None
    failure_reason: str = ""


def tasks(variants: int) -> Iterator[TeachingTask]:
    """Yield the study's tasks, for ``variants`` meters of every family."""
    for family in ENCODER_FAMILIES:
        for variant in range(variants):
            one = (MeterFunction.DC_VOLTS,) if variant % 2 == 0 else (MeterFunction.CAPACITANCE,)
            yield TeachingTask(family, variant, one)
            yield TeachingTask(family, variant, SIX_FUNCTIONS)


# Whether it is right


def matches_display(reading: Reading, display: DisplayState) -> bool:
    """Return whether a reading says what the display showed. Of a binary float the last place is not asked for."""
    if reading.quantity is not display.quantity or reading.coupling is not display.coupling:
        return False
    if reading.digits is None or display.digits is None:
        return reading.status is Status.OVERLOAD and display.overload
    value, truth = to_base(reading.digits, reading.unit), to_base(display.digits, display.unit)
    if reading.resolution is None:
        return abs(value - truth) <= abs(truth) * _FLOAT_TOLERANCE
    return value == truth


def count_displays(tally: DisplayTally, readings: Iterable[Reading], displays: Sequence[DisplayState]) -> None:
    """Count ``readings``, which came of the frames of ``displays`` in their order, if perhaps not of all of them."""
    left = list(displays)
    for reading in readings:
        if reading.status is Status.INVALID:
            continue
        place = next((place for place, shown in enumerate(left) if matches_display(reading, shown)), None)
        if place is None:
            tally.wrong += 1
            tally.errors.append(f"{reading.text} ({reading.packet.hex(' ')}) where the display showed {left}")
            del left[:1]
            continue
        tally.right += 1
        _count_unread(tally, left[:place])
        del left[: place + 1]
    _count_unread(tally, left)


def _count_unread(tally: DisplayTally, displays: Iterable[DisplayState]) -> None:
    """Count displays that gave no reading: right for a blank one."""
    for shown in displays:
        if shown.blank:
            tally.right += 1
        else:
            tally.refused += 1


def decode_session(profile: Profile, services: Sequence[Characteristic], session: RecordedSession) -> DisplayTally:
    """Return what a profile makes of a session."""
    driver = compile_profile(profile).open(services)
    tally = DisplayTally()
    packets = iter(session.capture.packets)
    waiting: list[DisplayState] = []
    for refresh in session.refreshes:
        waiting.append(refresh.display)
        if not refresh.packets:
            continue  # held back by the meter, comes with the next one
        readings: list[Reading] = []
        for _ in refresh.packets:
            packet = next(packets)
            at = round(packet.seconds * 1e9)
            readings += driver.feed(packet.channel, packet.data, Timestamp(at, at))
        count_displays(tally, readings, waiting)
        waiting.clear()
    return tally


# Teaching


def shorten_capture(capture: Capture, number: int) -> Capture:
    """Return the part of a capture that a person had recorded when ``number`` labels had been typed."""
    labels = capture.entries[:number]
    end = labels[-1].seconds + _AFTER_LABEL
    return Capture(tuple(packet for packet in capture.packets if packet.seconds <= end), labels, capture.meter)


def run_task(task: TeachingTask, seed: int, *, search: bool) -> TeachingResult:
    """Teach one meter, decode what it sends afterwards, and with ``search`` find how few labels would have done."""
    most = _SEARCH_FACTOR * task.target
    session = record_session(task.family, task.variant, task.functions, seed, most if search else task.target)
    unseen = record_session(task.family, task.variant, task.functions, seed + 1, _UNSEEN_READINGS)
    services = tuple(characteristics(create_encoder(task.family, task.variant)).values())

    def teach_with(number: int) -> TeachingResult:
        begin = perf_counter()
        report = teach(shorten_capture(session.capture, number))
        seconds = perf_counter() - begin
        if report.profile is None:
            reasons = (report.reason, *map(str, report.contradictions), *report.suggested_readings)
            return TeachingResult(task, seconds, DisplayTally(), failure_reason="; ".join(reasons))
        return TeachingResult(task, seconds, decode_session(report.profile, services, unseen))

    outcome = teach_with(task.target)
    outcome.searched = search
    if search and (_suffices(outcome) or _suffices(teach_with(most))):
        # The one does not do, the other does.
        least, enough = (0, task.target) if _suffices(outcome) else (task.target, most)
        while enough - least > 1:
            middle = (least + enough) // 2
            least, enough = (least, middle) if _suffices(teach_with(middle)) else (middle, enough)
        outcome.needed_labels = enough
    return outcome


def _suffices(result: TeachingResult) -> bool:
    tally = result.tally
    return tally.right > 0 and tally.wrong == 0 and tally.refused <= tally.displays * _MOST_REFUSED_SHARE


# The table

_HEADER = (
    "| Encoding | Meter | Functions | Target | Needed | Time, s | Unseen displays | Right | Refused | Wrong |",
    "|---|--:|---|--:|--:|--:|--:|--:|--:|--:|",
)


def markdown_table(results: Iterable[TeachingResult]) -> list[str]:
    """Return the lines of a Markdown table, one for each task."""
    return [*_HEADER, *map(_row, results)]


def _row(result: TeachingResult) -> str:
    task, tally = result.task, result.tally
    functions = str(task.functions[0]) if len(task.functions) == 1 else f"{len(task.functions)}"
    fields = (
        task.family,
        task.variant,
        functions,
        task.target,
        result.needed_labels or (f"> {_SEARCH_FACTOR * task.target}" if result.searched else "–"),
        f"{result.seconds:.1f}",
        tally.displays,
        tally.right,
        tally.refused,
        tally.wrong,
    )
    return f"| {' | '.join(map(str, fields))} |"


def replace_between_markers(text: str, lines: Iterable[str]) -> str:
    """Return ``text`` with what is between the two markers replaced; InputError where they are not there."""
    before, begin, rest = text.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not (begin and end):
        raise InputError("The file has no place for the table.", f"Put {BEGIN} and {END} on lines of their own.")
    return "\n".join([before + BEGIN, "", *lines, "", END + after])


@click.command()
@click.option("--seed", default=1, show_default=True, help="Which parts are measured.")
@click.option("--meters", default=2, show_default=True, type=click.IntRange(min=1), help="Meters of every family.")
@click.option("--quick", is_flag=True, help="One meter of every family, no search for the number of labels needed.")
@click.option(
    "--markdown",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Put the table into this file, between its markers, instead of printing it.",
)
def main(*, seed: int, meters: int, quick: bool, markdown: Path | None) -> None:
    """Teach meters nobody has described, and count what is decoded right, refused and wrong."""
    outcomes = []
    for task in tasks(1 if quick else meters):
        outcome = run_task(task, seed, search=not quick)
        outcomes.append(outcome)
        click.echo(_row(outcome), err=True)
        for line in (outcome.failure_reason, *outcome.tally.errors[:3]):
            if line:
                click.echo(f"    {line}", err=True)
    lines = markdown_table(outcomes)
    if markdown is None:
        click.echo("\n".join(lines))
        return
    text = replace_between_markers(markdown.read_text(encoding="utf-8"), [f"Seed {seed}:", "", *lines])
    markdown.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()

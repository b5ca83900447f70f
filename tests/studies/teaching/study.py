"""Teach meters that nobody has described, then read them: ``python -m studies.teaching.study``.

For every encoding of `meterlink_simulators.encoders.catalogue`, a session over the virtual radio is recorded with
entries, and `meterlink.teach` makes a profile of it. The profile decodes a second session on other parts, of which all
packets count: settled displays, ranging, creeping, overload. Each display is known.

- *target*: entries that should suffice: 12 for one function of a frame or line that carries a number, 25 for one
  function of a display's segments or coded digits, 52 for six functions;
- *needed*: the smallest number of entries that did (found by bisection, on the assumption that more entries do no
  harm): there was a profile, no value was wrong and at most one display in fifty was refused. Split packets give no
  reading beside a change of range: besides, the first or the last display of each stretch with one range is refused;
- *time*: seconds of teaching with the target number of entries, on this machine, one core;
- *right*, *refused*, *wrong*: displays of the second session, with the target number of entries. A refused display
  gives no reading or an invalid one; a blank display must.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import groupby
from time import perf_counter

import click

from meterlink.capture.capture_file import Capture, CapturedPacket
from meterlink.core.clock import Timestamp
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

_BY_DIGITS = {"segments", "masked", "coded digits"}  # a digit must be seen before it is known
_IN_TWO_PACKETS = {"split packets"}  # beside a change of range the number may belong to either, and is not read
_UNSEEN_READINGS = 60
# The share of displays that may be refused if entries are to suffice: a digit never shown in its place is rare, and
# better refused than guessed.
_MOST_REFUSED_SHARE = 0.02
_SEARCH_FACTOR = 2  # times the target: the most entries in the search for the number needed
# A binary32 carries 24 bits: a value read back is within half of the last one, 2⁻²⁵ of the value or 3e-8.
_FLOAT_TOLERANCE = Decimal("6e-8")
_AFTER_ENTRY = 1.0  # s of packets that a shortened capture keeps after its last entry


@dataclass(frozen=True, slots=True)
class TeachingTask:
    """One meter to be taught, in the functions named."""

    family: str
    variant: int
    functions: tuple[MeterFunction, ...]

    @property
    def target(self) -> int:
        """The number of entries that should suffice."""
        if len(self.functions) > 1:
            return 52  # two of every range, sign and overload: one alone may be a slip, and is not read
        return 25 if self.family in _BY_DIGITS else 12


@dataclass(slots=True)
class DisplayTally:
    """Counts of displays by the reading that a profile gave: right, refused (none) or wrong.

    ``stretches`` is the number of rows of displays that have the same function, range and flags, blank ones left out.
    """

    right: int = 0
    refused: int = 0
    wrong: int = 0
    errors: list[str] = field(default_factory=list)
    stretches: int = 0

    @property
    def displays(self) -> int:
        """The number of displays."""
        return self.right + self.refused + self.wrong

    def refused_at_most(self, share: float, family: str) -> bool:
        """Return whether at most a ``share`` of the displays is refused, besides those that ``family`` never reads."""
        unreadable = self.stretches if family in _IN_TWO_PACKETS else 0
        return self.refused - unreadable <= self.displays * share


@dataclass(slots=True)
class TeachingResult:
    """The result of one task.

    ``seconds`` is the time of teaching. ``failure_reason`` is the reason if there is no profile. ``searched`` is
    whether the smallest number of entries was searched for. ``needed_entries`` is that number, None if not found.
    """

    task: TeachingTask
    seconds: float
    tally: DisplayTally
    searched: bool = False
    needed_entries: int | None = None
    failure_reason: str = ""


def tasks(variants: int) -> Iterator[TeachingTask]:
    """Yield the study's tasks, for ``variants`` meters of every family."""
    for family in ENCODER_FAMILIES:
        for variant in range(variants):
            single = (MeterFunction.DC_VOLTS,) if variant % 2 == 0 else (MeterFunction.CAPACITANCE,)
            yield TeachingTask(family, variant, single)
            yield TeachingTask(family, variant, SIX_FUNCTIONS)


# Comparison


def matches_display(reading: Reading, display: DisplayState) -> bool:
    """Return whether a reading equals the display; a binary float need not match in the last place."""
    if reading.quantity is not display.quantity or reading.coupling is not display.coupling:
        return False
    if reading.digits is None or display.digits is None:
        return reading.status is Status.OVERLOAD and display.overload
    value, truth = to_base(reading.digits, reading.unit), to_base(display.digits, display.unit)
    if reading.resolution is None:
        return abs(value - truth) <= abs(truth) * _FLOAT_TOLERANCE
    return value == truth


def count_displays(tally: DisplayTally, readings: Iterable[Reading], displays: Sequence[DisplayState]) -> None:
    """Add to ``tally`` the ``readings`` of the frames of ``displays``: in their order, perhaps not of all of them."""
    expected = list(displays)
    for reading in readings:
        if reading.status is Status.INVALID:
            continue
        index = next((index for index, display in enumerate(expected) if matches_display(reading, display)), None)
        if index is None:
            tally.wrong += 1
            tally.errors.append(f"{reading.text} ({reading.packet.hex(' ')}) where the display showed {expected}")
            del expected[:1]
            continue
        tally.right += 1
        _count_unread(tally, expected[:index])
        del expected[: index + 1]
    _count_unread(tally, expected)


def _count_unread(tally: DisplayTally, displays: Iterable[DisplayState]) -> None:
    """Count displays without a reading: right for a blank one, refused for others."""
    for display in displays:
        if display.blank:
            tally.right += 1
        else:
            tally.refused += 1


def count_stretches(displays: Iterable[DisplayState]) -> int:
    """Return the number of rows of displays that have the same function, range and flags, blank ones left out."""
    rows = groupby(displays, key=_state_of)
    return sum(not blank for (blank, *_), _row in rows)


def _state_of(display: DisplayState) -> tuple[object, ...]:
    """Return everything that a display shows but its number."""
    places = None if display.digits is None else display.digits.as_tuple().exponent
    return (
        display.blank, display.overload, display.quantity, display.coupling, display.unit, places, display.low_battery
    )  # fmt: skip


def decode_session(profile: Profile, services: Sequence[Characteristic], session: RecordedSession) -> DisplayTally:
    """Return the tally of a session's displays, decoded by a profile."""
    driver = compile_profile(profile).open(services)
    # By the time of the last packet of their frame: some frames give their reading only when the next one comes.
    readings: dict[int, list[Reading]] = {}
    for packet in session.capture.packets:
        at = _nanoseconds(packet)
        for reading in driver.feed(packet.channel, packet.data, Timestamp(at, at)):
            readings.setdefault(reading.timestamp.monotonic_ns, []).append(reading)
    tally = DisplayTally(stretches=count_stretches(refresh.display for refresh in session.refreshes))
    packets = iter(session.capture.packets)
    displays: list[DisplayState] = []
    for refresh in session.refreshes:
        displays.append(refresh.display)
        if not refresh.packets:
            continue  # the meter sends this frame with the next one
        times = dict.fromkeys(_nanoseconds(next(packets)) for _ in refresh.packets)
        count_displays(tally, [reading for at in times for reading in readings.pop(at, [])], displays)
        displays.clear()
    return tally


def _nanoseconds(packet: CapturedPacket) -> int:
    return round(packet.seconds * 1e9)


# Teaching


def shorten_capture(capture: Capture, number: int) -> Capture:
    """Return the part of a capture that a person had recorded after ``number`` entries."""
    entries = capture.entries[:number]
    end = entries[-1].seconds + _AFTER_ENTRY
    return Capture(tuple(packet for packet in capture.packets if packet.seconds <= end), entries, capture.meter)


def run_task(task: TeachingTask, seed: int, *, search: bool) -> TeachingResult:
    """Teach one meter and decode its later packets; with ``search``, find the smallest number of entries that suffices.

    Raises:
        ValueError: no display of a measurement became stable.
    """
    max_entries = _SEARCH_FACTOR * task.target
    session = record_session(task.family, task.variant, task.functions, seed, max_entries if search else task.target)
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

    result = teach_with(task.target)
    result.searched = search
    if search and (_suffices(result) or _suffices(teach_with(max_entries))):
        # ``least`` entries do not suffice, ``enough`` do.
        least, enough = (0, task.target) if _suffices(result) else (task.target, max_entries)
        while enough - least > 1:
            middle = (least + enough) // 2
            least, enough = (least, middle) if _suffices(teach_with(middle)) else (middle, enough)
        result.needed_entries = enough
    return result


def _suffices(result: TeachingResult) -> bool:
    tally = result.tally
    return tally.right > 0 and tally.wrong == 0 and tally.refused_at_most(_MOST_REFUSED_SHARE, result.task.family)


# The table

_HEADER = (
    "| Encoding | Meter | Functions | Target | Needed | Time, s | Unseen displays | Right | Refused | Wrong |",
    "|---|--:|---|--:|--:|--:|--:|--:|--:|--:|",
)


def markdown_table(results: Iterable[TeachingResult]) -> list[str]:
    """Return the lines of a Markdown table, one line for each task."""
    return [*_HEADER, *map(_row, results)]


def _row(result: TeachingResult) -> str:
    task, tally = result.task, result.tally
    functions = str(task.functions[0]) if len(task.functions) == 1 else f"{len(task.functions)}"
    fields = (
        task.family,
        task.variant,
        functions,
        task.target,
        result.needed_entries or (f"> {_SEARCH_FACTOR * task.target}" if result.searched else "–"),
        f"{result.seconds:.1f}",
        tally.displays,
        tally.right,
        tally.refused,
        tally.wrong,
    )
    return f"| {' | '.join(map(str, fields))} |"


@click.command()
@click.option("--seed", default=1, show_default=True, help="Which parts are measured.")
@click.option("--meters", default=2, show_default=True, type=click.IntRange(min=1), help="Meters of every family.")
@click.option(
    "--quick", is_flag=True, help="One meter of every family, without the search for the number of entries needed."
)
def main(*, seed: int, meters: int, quick: bool) -> None:
    """Teach meters that nobody has described, and count the displays decoded right, refused and wrong."""
    results = []
    for task in tasks(1 if quick else meters):
        result = run_task(task, seed, search=not quick)
        results.append(result)
        click.echo(_row(result), err=True)
        for line in (result.failure_reason, *result.tally.errors[:3]):
            if line:
                click.echo(f"    {line}", err=True)
    click.echo("\n".join(markdown_table(results)))


if __name__ == "__main__":
    main()

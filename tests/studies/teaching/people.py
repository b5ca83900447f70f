"""People who teach a meter: they read, begin to type a second or two later, type for seconds, and make slips.

The last digit of the display flickers meanwhile. A person types again and again, looks at the report, and drops the
entries that it names: ``python -m studies.teaching.people`` prints a table.
"""

import asyncio
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from enum import StrEnum
from random import Random

import click

from meterlink.capture.capture_file import DisplayEntry, make_display_entry
from meterlink.teach import teach
from meterlink_simulators.display import DisplayState
from meterlink_simulators.driver_kit import characteristics
from meterlink_simulators.encoders.catalogue import ENCODER_FAMILIES, create_encoder
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.ranges import MeterFunction
from meterlink_simulators.virtual_time import run_in_virtual_time
from studies.teaching.cases import (
    RATE,
    SETTLE_TIMEOUT,
    STABLE_SECONDS,
    Bed,
    PartMeasurement,
    RecordedSession,
    draw_measurements,
    record_session,
    simulate_session,
    typed_text,
)
from studies.teaching.study import DisplayTally, decode_session, shorten_capture

READING_DELAY = (1.0, 2.0)  # s from reading the display to the first key
TYPING_TIME = (3.0, 6.0)  # s from the first key to Enter
MOST_SLIPS = 3  # in 25 entries; the least is 1
_PROBES_OFF_SHARE = 0.3  # of the entries, whose probes come off once the person types
# Counts, standard deviation. Of readings that lie anywhere between two counts, half flicker visibly with it.
_FLICKER = 0.25


class Slip(StrEnum):
    """A slip of a person."""

    WRONG_DIGIT = "wrong digit"
    LATE = "late"  # the value of the part before, typed while the next one is displayed
    NO_COUPLING = "AC or DC forgotten"
    OVERLOAD = "a number typed as OL"


class _FlickeringDisplay:
    """A meter whose last digit flickers: each part lies somewhere between two counts."""

    def __init__(self, meter: SimulatedMeter, seed: int) -> None:
        self._meter = meter
        self._rng = Random(f"flicker/{seed}")
        self._offset, self._shown = 0.0, ""
        self.name, self.rate = meter.name, meter.rate

    def show(self, now: float) -> DisplayState:
        state = self._meter.show(now)
        if state.digits is None:
            return state
        step = Decimal(1).scaleb(int(state.digits.as_tuple().exponent))
        if (shown := f"{state.digits / step / 20:.0f} {step} {state.unit}") != self._shown:
            self._shown, self._offset = shown, self._rng.uniform(-0.5, 0.5)
        moved = state.digits + step * round(self._offset + self._rng.gauss(0, _FLICKER))
        # A display does not change its sign or its range by a flicker.
        same = moved.is_signed() == state.digits.is_signed() and len(moved.as_tuple().digits) == len(
            state.digits.as_tuple().digits
        )
        return replace(state, digits=moved) if same else state


@dataclass
class HastyPerson:
    """A person in a hurry. ``slips`` maps the index of an entry to the slip made there."""

    bed: Bed
    slips: dict[int, Slip] = field(default_factory=dict)

    async def read_all(self, measurements: Sequence[Sequence[PartMeasurement]]) -> list[DisplayEntry]:
        """Return an entry for each measurement.

        Raises:
            ValueError: a display did not come to rest.
        """
        entries: list[DisplayEntry] = []
        for index, similar in enumerate(measurements):
            text = await self._read(similar[0])
            slip = self.slips.get(index)
            if slip is Slip.LATE and await self._read(similar[1]) == text:
                del self.slips[index]  # both are overloads
            await asyncio.sleep(self.bed.rng.uniform(*READING_DELAY))
            first_key = self.bed.air.now
            typing = self.bed.rng.uniform(*TYPING_TIME)
            if self.bed.rng.random() < _PROBES_OFF_SHARE:
                await asyncio.sleep(typing / 2)
                self.bed.bench.lift_probes(self.bed.meter.name, self.bed.air.now)
                typing /= 2
            await asyncio.sleep(typing)
            typed = _mistyped(text, slip, self.bed.rng)
            if typed == text and slip is not Slip.LATE:
                self.slips.pop(index, None)  # an overload typed as such
            entries.append(make_display_entry(self.bed.air.now, typed, first_key=first_key))
        return entries

    async def _read(self, measurement: PartMeasurement) -> str:
        await self.bed.attach(measurement)
        touched_at = self.bed.air.now
        while self.bed.air.now < touched_at + SETTLE_TIMEOUT:
            await asyncio.sleep(1 / RATE)
            if self.bed.air.now > touched_at + STABLE_SECONDS and _is_at_rest(self.bed.log[-round(RATE) :]):
                return typed_text(self.bed.log[-1].display, self.bed.rng)
        raise ValueError(f"The display of {measurement.function} did not come to rest.")


def _is_at_rest(recent: Sequence[object]) -> bool:
    displays = [refresh.display for refresh in recent]  # type: ignore[attr-defined]
    numbers = [display.digits for display in displays]
    if any(display.blank for display in displays) or len({display.unit for display in displays}) > 1:
        return False
    if None in numbers:
        return set(numbers) == {None}
    step = Decimal(1).scaleb(int(numbers[0].as_tuple().exponent))
    return bool(max(numbers) - min(numbers) <= 2 * step)


def _mistyped(text: str, slip: Slip | None, rng: Random) -> str:
    number, _, unit = text.partition(" ")
    if slip is Slip.OVERLOAD:
        return f"OL {unit}"
    if slip is Slip.NO_COUPLING:
        return text.removesuffix(" AC").removesuffix(" DC")
    if slip is Slip.WRONG_DIGIT and number != "OL":
        place = rng.choice([place for place, character in enumerate(number) if character.isdecimal()])
        other = rng.choice([digit for digit in "0123456789" if abs(int(digit) - int(number[place])) > 1])
        return f"{number[:place]}{other}{number[place + 1 :]} {unit}"
    return text


@dataclass(frozen=True, slots=True)
class HastySession:
    """A session of a person in a hurry, and the slips made, by the index of the entry."""

    session: RecordedSession
    slips: dict[int, Slip]


def record_hasty_session(
    family: str, variant: int, functions: Sequence[MeterFunction], seed: int, number: int
) -> HastySession:
    """Return a session of ``number`` entries, of which one to `MOST_SLIPS` in 25 are slips.

    Raises:
        ValueError: a display did not come to rest.
    """
    rng = Random(f"slips/{family}/{variant}/{seed}")
    slips: dict[int, Slip] = {}
    for first in range(0, number, 25):
        places = range(first, min(first + 25, number))
        kinds = [slip for slip in Slip if slip is not Slip.NO_COUPLING or MeterFunction.DC_VOLTS in functions]
        for place in rng.sample(places, min(rng.randint(1, MOST_SLIPS), len(places))):
            slips[place] = rng.choice(kinds)
    session = run_in_virtual_time(
        simulate_session(
            create_encoder(family, variant),
            draw_measurements(functions, seed, number),
            seed,
            lambda meter: _FlickeringDisplay(meter, seed),
            lambda bed: HastyPerson(bed, slips),
        )
    )
    return HastySession(session, slips)


# The study: a person types, looks at the report, drops the entries that it names, and goes on.

MOST_ENTRIES = 60
_ENTRIES_A_LOOK = 8  # typed between two looks at the report
_FIRST_LOOK = 12
_UNSEEN_READINGS = 30
_MOST_REFUSED_SHARE = 0.05  # of the displays of a session on other parts: with more refused, a person goes on


@dataclass(slots=True)
class PeopleResult:
    """The result of one person with one meter.

    ``entries`` is the number typed until there was a profile, None if there was none with `MOST_ENTRIES`. Of the
    ``slips`` among them ``named`` were named, and ``innocent`` entries were named that were none. ``tally`` is that of
    a session on other parts, decoded by the last profile; its ``wrong`` are those of every profile on the way to it.
    """

    family: str
    seed: int
    entries: int | None = None
    slips: int = 0
    named: int = 0
    innocent: int = 0
    tally: DisplayTally = field(default_factory=DisplayTally)


def teach_in_haste(
    family: str, seed: int, functions: Sequence[MeterFunction] = (MeterFunction.DC_VOLTS,)
) -> PeopleResult:
    """Return the result of a person who teaches one meter of ``family`` and drops each entry that is named.

    Raises:
        ValueError: a display did not come to rest.
    """
    hasty = record_hasty_session(family, seed, functions, seed, MOST_ENTRIES)
    capture = hasty.session.capture
    slips: set[DisplayEntry] = set()
    result = PeopleResult(family, seed)
    dropped: set[DisplayEntry] = set()
    for number in range(_FIRST_LOOK, MOST_ENTRIES + 1, _ENTRIES_A_LOOK):
        seen = shorten_capture(capture, number)
        slips = {capture.entries[index] for index in hasty.slips if index < number}
        while True:
            report = teach(replace(seen, entries=tuple(one for one in seen.entries if one not in dropped)))
            if not report.contradictions:
                break
            named = {one.entry for one in report.contradictions}
            # Of two entries that contradict each other, a person measures both parts again, and so knows the slip.
            right = {one.entry for one in report.contradictions if one.rival in slips and one.entry not in slips}
            dropped |= named - right
        if report.profile is not None:
            services = tuple(characteristics(create_encoder(family, seed)).values())
            unseen = record_session(family, seed, functions, seed + 1, _UNSEEN_READINGS)
            tally = decode_session(report.profile, services, unseen)
            # Wrong values of a profile count, though a person went on from it.
            tally.wrong += result.tally.wrong
            tally.errors += result.tally.errors
            result.tally = tally
            is_last = number + _ENTRIES_A_LOOK > MOST_ENTRIES
            if is_last or result.tally.refused_at_most(_MOST_REFUSED_SHARE, family):
                result.entries = number
                break
    result.slips, result.named, result.innocent = len(slips), len(slips & dropped), len(dropped - slips)
    return result


def people_table(results: Iterable[PeopleResult]) -> list[str]:
    """Return the lines of a Markdown table, one line for each encoding."""
    lines = ["| Encoding | People | Accepted | Entries | Slips | Named | Not slips, named | Right | Refused | Wrong |"]
    lines.append("|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|")
    by_family: dict[str, list[PeopleResult]] = {}
    for result in results:
        by_family.setdefault(result.family, []).append(result)
    for family, ours in by_family.items():
        accepted = [result.entries for result in ours if result.entries is not None]
        fields = (
            family, len(ours), len(accepted), f"{min(accepted)} to {max(accepted)}" if accepted else "–",
            sum(result.slips for result in ours), sum(result.named for result in ours),
            sum(result.innocent for result in ours), sum(result.tally.right for result in ours),
            sum(result.tally.refused for result in ours), sum(result.tally.wrong for result in ours),
        )  # fmt: skip
        lines.append(f"| {' | '.join(map(str, fields))} |")
    return lines


@click.command()
@click.option("--people", default=5, show_default=True, type=click.IntRange(min=1), help="People for each encoding.")
def main(*, people: int) -> None:
    """Let people in a hurry teach meters, and print how many were accepted, and which slips were named."""
    results = []
    for family in ENCODER_FAMILIES:
        for seed in range(people):
            results.append(teach_in_haste(family, seed))
            click.echo(f"{results[-1]}", err=True)
    click.echo("\n".join(people_table(results)))


if __name__ == "__main__":
    main()

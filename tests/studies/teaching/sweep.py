"""The thresholds of teaching at other values: ``python -m studies.teaching.sweep`` prints a row for each.

The same meters are taught again and again, each time with one limit of `meterlink.teach.limits` at about half or about
double its value. Some are taught from a good many entries, some from too few, some with slips, over a lossy link, or
with bytes that follow time. Some packets are noise: there a profile is wrong, and so is each of its readings.

A setting that reads no more and no less, and nothing wrong, is in the range in which nothing changes. A limit that a
meter's teaching never asks for cannot change its result; so such a meter is left out.
"""

import ast
import re
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import islice, pairwise
from pathlib import Path
from random import Random
from types import ModuleType
from typing import Any

import click

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry
from meterlink.core.clock import Timestamp
from meterlink.core.readings import Status
from meterlink.profiles import Profile, open_profile_driver
from meterlink.teach import limits, teach
from meterlink_simulators.driver_kit import characteristics
from meterlink_simulators.encoders.catalogue import ENCODER_FAMILIES, create_encoder
from meterlink_simulators.ranges import MeterFunction
from studies.teaching import losses
from studies.teaching.cases import record_session
from studies.teaching.people import record_hasty_session
from studies.teaching.study import DisplayTally, TeachingTask, decode_session, shorten_capture
from support.invented_meters import CHANNEL, agrees
from support.slow_meters import SLOW_KINDS, SlowMeter

TEACH = Path(limits.__file__).parent

_FEW = 6  # entries, which leave the most to chance
_TAUGHT_FROM_FEW = {"counted", "packed", "ranged", "coded digits", "dropped digit", "prefixed lines", "split packets"}
_QUICK_FAMILIES = ("counted", "packed", "lines", "prefixed lines", "split packets")
_QUICK_KINDS = ("seconds",)
_UNSEEN_READINGS = 12
_HASTY = ("counted", "lines")  # the search for slips takes the most time, so that two meters must do
_HASTY_ENTRIES = 20
_MOST_DROPS = 3  # looks at the report, after which the entries that it names are dropped
_LOSSY = ("prefixed, chunks of 5", "plain, chunks of 5", "long, split anywhere", "summed, stream", "headed, whole")
_LOSSY_REFRESHES = 150
_NOISE_ENTRIES = 12
_LATER = 60  # frames of a slow meter, hours after it was taught
_HOURS = (2, 3)
_SLOWER = 1.5  # times the time of teaching: less is the scatter of a busy machine

Value = int | float | tuple[int | float, ...]


# The limits, as the modules of teaching have them.


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit: its ``reason`` is the text beneath it, ``users`` the modules that read it."""

    name: str
    value: Value
    reason: str
    users: tuple[str, ...]

    def neighbours(self) -> tuple[Value, Value]:
        """Return the value at about half, and at about double."""
        if isinstance(self.value, tuple):
            return tuple(type(one)(one / 2) for one in self.value), tuple(2 * one for one in self.value)
        return _half(self.value), _double(self.value)


def _half(value: float) -> float:
    """Return about half; of a share above one half, the share that leaves twice as much."""
    if isinstance(value, int):
        return value // 2
    return 1 - 2 * (1 - value) if 2 / 3 < value < 1 else value / 2


def _double(value: float) -> float:
    """Return about double; of a share of one half or more, the share that leaves half as much."""
    return 1 - (1 - value) / 2 if isinstance(value, float) and 0.5 <= value < 1 else 2 * value


def read_limits() -> tuple[Limit, ...]:
    """Return all limits, in the order of their module."""
    sources = {path.stem: path.read_text(encoding="utf-8") for path in sorted(TEACH.glob("*.py"))}
    body = ast.parse(sources.pop("limits")).body
    found = []
    for assignment, text in pairwise(body):
        match assignment, text:
            case ast.Assign(targets=[ast.Name(name)]), ast.Expr(ast.Constant(str(reason))):
                users = tuple(stem for stem, source in sources.items() if re.search(rf"\blimits\.{name}\b", source))
                found.append(Limit(name, getattr(limits, name), " ".join(reason.split()), users))
    return tuple(found)


class _ListeningModule(ModuleType):
    """The module of the limits while it notes which of them are asked for."""

    def __getattribute__(self, name: str) -> Any:
        if name.isupper():
            _asked.add(name)
        return super().__getattribute__(name)


_asked: set[str] = set()


@contextmanager
def limit_at(name: str, value: Value) -> Iterator[None]:
    """Set a limit to another value, for the time of a ``with`` block."""
    usual = getattr(limits, name)
    setattr(limits, name, value)
    try:
        yield
    finally:
        setattr(limits, name, usual)


# The meters.


@dataclass(frozen=True, slots=True)
class SweepMeter:
    """A meter to be taught; ``read`` returns the tally of later displays, read by a profile."""

    name: str
    capture: Capture
    read: Callable[[Profile], DisplayTally]


def sweep_meters(seed: int, *, quick: bool) -> Iterator[SweepMeter]:
    """Yield the meters of the sweep; ``quick``: only some that are taught in a tenth of a second."""
    for family in _QUICK_FAMILIES if quick else ENCODER_FAMILIES:
        yield from study_meters(family, seed, few=family in _TAUGHT_FROM_FEW)
    yield from (_slow_meter(kind, seed) for kind in (_QUICK_KINDS if quick else SLOW_KINDS))
    yield from (_lossy_meter(meter, seed) for meter in losses.METERS if meter.name in (_LOSSY[:1] if quick else _LOSSY))
    if not quick:
        for family in _HASTY:
            hasty = record_hasty_session(family, 0, [MeterFunction.DC_VOLTS], seed, _HASTY_ENTRIES).session
            yield SweepMeter(f"{family}, in haste", hasty.capture, _session_reader(family, seed))
    yield from islice(noises(seed), 1 if quick else None)


def study_meters(family: str, seed: int, *, few: bool) -> Iterator[SweepMeter]:
    """Yield a meter taught from the target number of entries; with ``few``, also one from too few of them."""
    target = TeachingTask(family, 0, (MeterFunction.DC_VOLTS,)).target
    capture = record_session(family, 0, [MeterFunction.DC_VOLTS], seed, target).capture
    read = _session_reader(family, seed)
    yield SweepMeter(family, capture, read)
    if few:
        yield SweepMeter(f"{family}, {_FEW} entries", shorten_capture(capture, _FEW), read)


def _session_reader(family: str, seed: int) -> Callable[[Profile], DisplayTally]:
    unseen = record_session(family, 0, [MeterFunction.DC_VOLTS], seed + 1, _UNSEEN_READINGS)
    services = tuple(characteristics(create_encoder(family, 0)).values())
    return lambda profile: decode_session(profile, services, unseen)


def _slow_meter(kind: str, seed: int) -> SweepMeter:
    meter = SlowMeter("integer", seed, 1, (kind,))
    capture = meter.capture(12, seed, between=40)
    later = []
    for hours in _HOURS:
        meter.wait(hours)
        later.append(meter.draw_unseen_frames(_LATER, seed + hours))

    def read(profile: Profile) -> DisplayTally:
        tally = DisplayTally()
        for frames in later:
            driver = open_profile_driver(profile, [CHANNEL])
            for display, frame in frames:
                readings = driver.feed(CHANNEL, frame, Timestamp(0, 0))
                if not readings or readings[-1].status is Status.INVALID:
                    tally.refused += 1
                elif agrees(readings[-1], display):
                    tally.right += 1
                else:
                    tally.wrong += 1
        return tally

    return SweepMeter(f"integer with {kind}", capture, read)


def _lossy_meter(meter: losses.LossyMeter, seed: int) -> SweepMeter:
    def read(profile: Profile) -> DisplayTally:
        tally = losses.decode_lossy(meter, profile, seed, _LOSSY_REFRESHES)
        unread = max(0, tally.displays - tally.right - len(tally.wrong))
        return DisplayTally(tally.right, unread, len(tally.wrong), list(tally.wrong))

    return SweepMeter(f"{meter.name}, losses", losses.record_meter(meter, seed), read)


def noises(seed: int) -> Iterator[SweepMeter]:
    """Yield packets that have nothing to do with the entries: a profile of them reads noise, and each reading is wrong.

    They are random bytes; random bytes behind a constant head and a counter; random digits in lines of text.
    """
    rng = Random(f"noise/{seed}")
    forms: dict[str, Callable[[int], bytes]] = {
        "head and three random bits": lambda _: bytes([0xA5, rng.randrange(8), 0, 0x10]),
        "random bytes": lambda _: rng.randbytes(8),
        "head, counter and random bytes": lambda number: bytes([0xA5, 0x5A, number & 0xFF]) + rng.randbytes(4),
        "random lines": lambda _: f"{rng.uniform(-10, 10):+.3f} V DC\r\n".encode(),
    }
    for name, form in forms.items():
        packets = [CapturedPacket(round(0.2 * number, 3), CHANNEL, form(number)) for number in range(400)]
        entries = tuple(
            make_display_entry(packets[place].seconds + 0.05, f"{rng.uniform(1, 600):.1f} V DC")
            for place in range(20, 400, 380 // _NOISE_ENTRIES)
        )
        later = [form(number) for number in range(400, 600)]
        yield SweepMeter(name, Capture(tuple(packets), entries), _noise_reader(later))


def _noise_reader(later: Sequence[bytes]) -> Callable[[Profile], DisplayTally]:
    def read(profile: Profile) -> DisplayTally:
        driver = open_profile_driver(profile, [CHANNEL])
        tally = DisplayTally()
        for packet in later:
            readings = driver.feed(CHANNEL, packet, Timestamp(0, 0))
            tally.wrong += any(reading.status is not Status.INVALID for reading in readings)
        return tally

    return read


# Teaching.


@dataclass(frozen=True, slots=True)
class Outcome:
    """The outcome of a meter, or the sum over some: profiles ``accepted``, displays by their reading, time."""

    accepted: int = 0
    right: int = 0
    refused: int = 0
    wrong: int = 0
    seconds: float = 0.0

    @property
    def counts(self) -> tuple[int, int, int, int]:
        """Everything but the time."""
        return self.accepted, self.right, self.refused, self.wrong

    def __add__(self, other: "Outcome") -> "Outcome":
        return Outcome(
            self.accepted + other.accepted,
            self.right + other.right,
            self.refused + other.refused,
            self.wrong + other.wrong,
            self.seconds + other.seconds,
        )


@dataclass(slots=True)
class TaughtMeter:
    """A meter with its usual outcome, and the limits that its teaching asks for."""

    meter: SweepMeter
    profile: Profile | None
    usual: Outcome
    asked: frozenset[str]


def teach_as_usual(meter: SweepMeter) -> TaughtMeter:
    """Return the outcome of a meter with every limit as it is."""
    _asked.clear()
    limits.__class__ = _ListeningModule
    try:
        _taught(meter.capture)
    finally:
        limits.__class__ = ModuleType
    asked = frozenset(_asked)
    begin = time.process_time()
    profile = _taught(meter.capture)
    usual = _outcome(meter, profile, time.process_time() - begin)
    return TaughtMeter(meter, profile, usual, asked)


def teach_otherwise(taught: TaughtMeter) -> Outcome:
    """Return the outcome of a meter with the limits as they are set now."""
    begin = time.process_time()
    profile = _taught(taught.meter.capture)
    seconds = time.process_time() - begin
    if profile == taught.profile:
        return replace(taught.usual, seconds=seconds)
    return _outcome(taught.meter, profile, seconds)


def _taught(capture: Capture) -> Profile | None:
    """Return the profile of a person who drops the entries that the report names."""
    for _ in range(_MOST_DROPS):
        report = teach(capture)
        if report.profile is not None or not report.contradictions:
            return report.profile
        named = [one.entry for one in report.contradictions]
        capture = replace(capture, entries=tuple(one for one in capture.entries if one not in named))
    return None


def _outcome(meter: SweepMeter, profile: Profile | None, seconds: float) -> Outcome:
    if profile is None:
        return Outcome(seconds=seconds)
    tally = meter.read(profile)
    return Outcome(1, tally.right, tally.refused, tally.wrong, seconds)


# The sweep.


@dataclass(frozen=True, slots=True)
class Setting:
    """A limit at another value: the outcome of the meters that ask for it, ``usual`` and ``now``."""

    limit: Limit
    value: Value
    usual: Outcome
    now: Outcome
    misread: tuple[str, ...] = ()

    @property
    def is_same(self) -> bool:
        """Whether nothing changes but the time."""
        return self.usual.counts == self.now.counts

    def effect(self) -> str:
        """Return the changes in words."""
        words = []
        for name, before, after in (
            ("profiles", self.usual.accepted, self.now.accepted),
            ("right", self.usual.right, self.now.right),
            ("refused", self.usual.refused, self.now.refused),
        ):
            if after != before:
                words.append(f"{after - before:+d} {name}".replace("-", "−"))
        if self.now.wrong != self.usual.wrong:
            words.append(f"**{self.now.wrong - self.usual.wrong:+d} wrong** ({', '.join(self.misread)})")
        if self.now.seconds > _SLOWER * self.usual.seconds + 1:
            words.append(f"{self.now.seconds / self.usual.seconds:.1f} times the time")
        return ", ".join(words) or "same"


def sweep(meters: Sequence[TaughtMeter], some: Iterable[Limit]) -> Iterator[Setting]:
    """Yield two settings of each limit."""
    for limit in some:
        asking = [taught for taught in meters if limit.name in taught.asked]
        for value in limit.neighbours():
            usual = now = Outcome()
            misread = []
            with limit_at(limit.name, value):
                for taught in asking:
                    outcome = teach_otherwise(taught)
                    usual, now = usual + taught.usual, now + outcome
                    if outcome.wrong > taught.usual.wrong:
                        misread.append(taught.meter.name)
            yield Setting(limit, value, usual, now, tuple(misread))


# The table.

_HEADER = ("| Limit | Value | Used by | At half | At double |", "|---|--:|---|---|---|")


def sweep_table(meters: Sequence[TaughtMeter], settings: Iterable[Setting]) -> list[str]:
    """Return the lines of a Markdown table, one line for each limit, below a line on the meters as usual."""
    total = sum((taught.usual for taught in meters), Outcome())
    head = (
        f"As usual: {len(meters)} meters, {total.accepted} profiles, {total.right} displays right, "
        f"{total.refused} refused, {total.wrong} wrong; {total.seconds:.0f} s of one core."
    )
    rows: dict[str, list[Setting]] = {}
    for setting in settings:
        rows.setdefault(setting.limit.name, []).append(setting)
    return [head, "", *_HEADER, *(_row(both) for both in rows.values())]


def _row(both: Sequence[Setting]) -> str:
    limit = both[0].limit
    cells = [f"`{limit.name}`: {limit.reason}", _written(limit.value), ", ".join(limit.users)]
    cells += [f"{_written(setting.value)}: {setting.effect()}" for setting in both]
    return f"| {' | '.join(cells)} |"


def _written(value: Value) -> str:
    if isinstance(value, tuple):
        return ", ".join(map(_written, value))
    return f"{value:,}" if isinstance(value, int) else f"{round(value, 6):g}"


@click.command()
@click.option("--seed", default=1, show_default=True, help="Which parts are measured.")
@click.option("--only", multiple=True, metavar="LIMIT", help="A limit to sweep; all without.")
@click.option("--quick", is_flag=True, help="Some meters that are quickly taught.")
def main(*, seed: int, only: tuple[str, ...], quick: bool) -> None:
    """Teach the same meters with each limit at half and at double, and print the differences."""
    taught = []
    for meter in sweep_meters(seed, quick=quick):
        taught.append(teach_as_usual(meter))
        click.echo(f"{meter.name}: {taught[-1].usual}", err=True)
    settings = []
    for setting in sweep(taught, [limit for limit in read_limits() if not only or limit.name in only]):
        settings.append(setting)
        click.echo(f"{setting.limit.name} {_written(setting.value)}: {setting.effect()}", err=True)
    click.echo("\n".join(sweep_table(taught, settings)))


if __name__ == "__main__":
    main()

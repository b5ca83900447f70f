"""Sessions for `teaching_study`: a technician takes readings with a simulated meter while its packets are recorded.

Bench, meter, radio and bleak are those of every other simulation. A seed draws the parts and their order. The
technician waits until the display is stable and types it, as a person would spell it.
"""

import asyncio
import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass
from itertools import count, zip_longest
from random import Random
from typing import Protocol

from bleak import BleakClient

from meterlink.capture.capture_file import Capture, CapturedMeter, CapturedPacket, DisplayEntry, make_display_entry
from meterlink.core.units import parse_amount
from meterlink.judge.uncertainty import parse_accuracy
from meterlink_simulators.air import Air
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Component, Leg, Star, Supply, Surface
from meterlink_simulators.display import DisplayState, Instrument
from meterlink_simulators.encoders import Encoder, Services
from meterlink_simulators.encoders.catalogue import create_encoder
from meterlink_simulators.encoders.ranged import COMMANDS_UUID, KEEP_ALIVE_REFRESHES, RangedEncoder
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import FunctionSpec, MeterFunction, MeterSpec, Range
from meterlink_simulators.virtual_time import run_in_virtual_time

RATE = 5.0  # display refreshes a second
# s; a display that has not changed for this long is read. It is longer than the window of an entry, and than the delay
# of a frame that the meter sends late.
STABLE_SECONDS = 1.0
# s; a technician waits this long for a stable display: a large capacitor needs half a minute. A part whose value lies
# between two counts is replaced by a similar part.
SETTLE_TIMEOUT = 40.0
_SIMILAR_PARTS = 4  # parts of each kind at hand
_TYPING = (0.02, 0.15)  # s between reading the display and the time of the entry
_PROBE_MOVE_SECONDS = (0.5, 1.0)  # s; the hand moves from one part to the next

FULL_SCALES = {
    MeterFunction.CAPACITANCE: ("6.000 µF", "60.00 µF", "600.0 µF"),
    MeterFunction.RESISTANCE: ("600.0 ohm", "6.000 kohm", "60.00 kohm", "600.0 kohm", "6.000 Mohm"),
    MeterFunction.AC_VOLTS: ("6.000 V", "60.00 V", "600.0 V"),
    MeterFunction.DC_VOLTS: ("6.000 V", "60.00 V", "600.0 V"),
    MeterFunction.FREQUENCY: ("60.00 Hz", "600.0 Hz"),
    MeterFunction.TEMPERATURE: ("600.0 °C",),
}
SIX_FUNCTIONS = tuple(FULL_SCALES)
_ACCURACY = parse_accuracy("0.5 % + 3 digits")
# The share of full scale from which a part's value is drawn, unless a lower range shows it better.
_LEAST, _MOST = 0.02, 0.97
_COLDEST, _HOTTEST = -39.0, 150.0  # °C, a freezer and a discharge line


@dataclass(frozen=True, slots=True)
class PartMeasurement:
    """One measurement of one part: the dial, the part, and the terminals for the probes."""

    function: MeterFunction
    part: Component
    terminals: TerminalPair


@dataclass(frozen=True, slots=True)
class DisplayRefresh:
    """One refresh of the display and the packets it sent."""

    display: DisplayState
    packets: tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class RecordedSession:
    """A capture, and every refresh of the display from the first recorded packet on."""

    capture: Capture
    refreshes: tuple[DisplayRefresh, ...]


class _LoggingEncoder:
    """An encoder that logs every refresh that it encodes."""

    def __init__(self, encoder: Encoder) -> None:
        self.encoder = encoder
        self.log: list[DisplayRefresh] = []

    def services(self) -> Services:
        return self.encoder.services()

    def encode(self, display: DisplayState) -> list[tuple[str, bytes]]:
        packets = self.encoder.encode(display)
        self.log.append(DisplayRefresh(display, tuple(packet for _, packet in packets)))
        return packets


def draw_measurements(functions: Sequence[MeterFunction], seed: int, number: int) -> list[list[PartMeasurement]]:
    """Return ``number`` lists of measurements, each of a few similar parts, of which one is to be measured.

    They cover every range of every function, both signs and an overload, again and again. The first round goes through
    the functions in turn, so that each function is measured early.
    """
    rng = Random(f"stops/{seed}")
    measurements: list[list[PartMeasurement]] = []
    names = count(1)
    while len(measurements) < number:
        kinds = [list(_reading_kinds(function)) for function in functions]
        for kind in kinds:
            rng.shuffle(kind)
        for round_ in zip_longest(*kinds):
            present = (kind for kind in round_ if kind is not None)
            measurements += [
                [_draw_measurement(f"part {next(names)}", rng, *kind) for _ in range(_SIMILAR_PARTS)]
                for kind in present
            ]
    return measurements[:number]


def _reading_kinds(function: MeterFunction) -> Iterator[tuple[MeterFunction, int, int]]:
    """Yield ``(function, number of its range, sign)``; the range after the last is overload."""
    for number in range(len(FULL_SCALES[function])):
        yield function, number, 1
        if function.signed:
            yield function, number, -1
    if function is not MeterFunction.TEMPERATURE:  # nothing on a unit is that hot
        yield function, len(FULL_SCALES[function]), 1


def _draw_measurement(name: str, rng: Random, function: MeterFunction, number: int, sign: int) -> PartMeasurement:
    full_scales = [float(parse_amount(scale, function.quantity).base_value) for scale in FULL_SCALES[function]]
    if number < len(full_scales):
        least = max(full_scales[number] * _LEAST, full_scales[number - 1] * 1.02 if number else 0.0)
        value = sign * rng.uniform(least, full_scales[number] * _MOST)
    else:
        value = full_scales[-1] * rng.uniform(1.1, 1.5)
    part: Component
    match function:
        case MeterFunction.CAPACITANCE:
            part = Star(name, "bench", {"1": Leg(farads=value), "2": Leg()})
        case MeterFunction.RESISTANCE:
            part = Star(name, "bench", {"1": Leg(ohms=value if number < len(full_scales) else math.inf), "2": Leg()})
        case MeterFunction.AC_VOLTS:
            part = Supply(name, "bench", ("1", "2"), value, 50.0)
        case MeterFunction.DC_VOLTS:
            part = Star(name, "bench", {"1": Leg(farads=1e-4, volts=value), "2": Leg()})
        case MeterFunction.FREQUENCY:
            part = Supply(name, "bench", ("1", "2"), 24.0, value)
        case _:
            value = rng.uniform(0.1, 1.0) * (_COLDEST if sign < 0 else _HOTTEST)
            part = Surface(name, "bench", value, value, 60.0, ("1", "2"))
    return PartMeasurement(function, part, TerminalPair(name, "1", "2"))


def typed_text(display: DisplayState, rng: Random) -> str:
    """Return the display as a person types it: µ and Ω in one spelling or another, overload as OL."""
    unit = display.unit.replace("µ", rng.choice(("u", "µ", "u"))).replace("Ω", rng.choice(("ohm", "Ω")))
    unit = unit.replace("°C", rng.choice(("degC", "°C")))
    number = "OL" if display.digits is None else f"{display.digits:f}"
    return f"{number} {unit}{f' {display.coupling}' if display.coupling else ''}"


def record_session(
    family: str, variant: int, functions: Sequence[MeterFunction], seed: int, number: int
) -> RecordedSession:
    """Return a session of ``number`` entries with a meter of ``family``, simulated in virtual time.

    Raises:
        ValueError: no display of a measurement became stable, or the packets recorded are not the packets sent.
    """
    return run_in_virtual_time(
        simulate_session(create_encoder(family, variant), draw_measurements(functions, seed, number), seed)
    )


async def simulate_session(
    encoder: Encoder,
    measurements: Sequence[Sequence[PartMeasurement]],
    seed: int,
    instrument: Callable[[SimulatedMeter], Instrument] = lambda meter: meter,
    person: "Callable[[Bed], Person] | None" = None,
) -> RecordedSession:
    """Return the session of ``person`` (default: one without haste or fault), who reads the display of ``instrument``.

    Raises:
        ValueError: no display of a measurement became stable, or the packets recorded are not the packets sent.
    """
    bench = Bench([measurement.part for similar in measurements for measurement in similar], seed)
    functions = dict.fromkeys(similar[0].function for similar in measurements)
    spec = MeterSpec(
        "Plover 12",
        "C0:00:00:00:00:0A",
        seed,
        RATE,
        6000,
        tuple(
            FunctionSpec(
                function,
                tuple(Range(parse_amount(scale, function.quantity), _ACCURACY) for scale in FULL_SCALES[function]),
            )
            for function in functions
        ),
    )
    meter, logging_encoder = SimulatedMeter(spec, bench), _LoggingEncoder(encoder)
    packets: list[CapturedPacket] = []
    async with AsyncExitStack() as stack:
        air = await stack.enter_async_context(Air())
        await air.add_meter(instrument(meter), encoder=logging_encoder, address=spec.address)
        client = await stack.enter_async_context(BleakClient(spec.address, backend=air.client_backend))
        for _, definitions in encoder.services():
            for definition in definitions:
                if "notify" in definition.properties:

                    def on_notification(_: object, data: bytearray, uuid: str = definition.uuid) -> None:
                        packets.append(CapturedPacket(air.now, uuid, bytes(data)))

                    await client.start_notify(definition.uuid, on_notification)
        if isinstance(encoder, RangedEncoder):
            await client.write_gatt_char(COMMANDS_UUID, encoder.start_command)
            keep_alive = asyncio.create_task(_send_keep_alive(client, encoder.keep_alive_command))
            stack.callback(keep_alive.cancel)
        bed = Bed(air, meter, logging_encoder.log, bench, Random(f"hand/{seed}"))
        entries = await (person or _Technician)(bed).read_all(measurements)
    captured_meter = CapturedMeter(spec.name, tuple(service for service, _ in encoder.services()))
    return RecordedSession(
        Capture(tuple(packets), tuple(entries), captured_meter), _recorded_refreshes(logging_encoder.log, packets)
    )


async def _send_keep_alive(client: BleakClient, command: bytes) -> None:
    while True:
        await asyncio.sleep(KEEP_ALIVE_REFRESHES / RATE / 2)
        await client.write_gatt_char(COMMANDS_UUID, command)


@dataclass(frozen=True, slots=True)
class Bed:
    """The hands and eyes of a person at the bench: ``log`` holds every refresh of the display so far."""

    air: Air
    meter: SimulatedMeter
    log: list[DisplayRefresh]
    bench: Bench
    rng: Random

    async def attach(self, measurement: PartMeasurement) -> None:
        """Turn the dial and move the probes to a part."""
        self.meter.turn_dial(measurement.function)
        self.bench.lift_probes(self.meter.name, self.air.now)
        await asyncio.sleep(self.rng.uniform(*_PROBE_MOVE_SECONDS))
        terminals = measurement.terminals
        self.bench.attach_probes(self.meter.name, terminals, self.air.now, bounce=self.rng.uniform(0, 0.5))


class Person(Protocol):
    """A person who reads the display and types."""

    async def read_all(self, measurements: Sequence[Sequence[PartMeasurement]]) -> list[DisplayEntry]:
        """Return an entry for each measurement.

        Raises:
            ValueError: no display of a measurement became stable.
        """
        ...


@dataclass(frozen=True, slots=True)
class _Technician:
    bed: Bed

    async def read_all(self, measurements: Sequence[Sequence[PartMeasurement]]) -> list[DisplayEntry]:
        return [await self.read_first_stable(similar) for similar in measurements]

    async def read_first_stable(self, measurements: Sequence[PartMeasurement]) -> DisplayEntry:
        """Return the entry of the first of some similar parts whose display becomes stable.

        Raises:
            ValueError: no display became stable.
        """
        for measurement in measurements:
            if entry := await self._read(measurement):
                return entry
        raise ValueError(f"No display of {measurements[0].function} became stable.")

    async def _read(self, measurement: PartMeasurement) -> DisplayEntry | None:
        await self.bed.attach(measurement)
        air, rng = self.bed.air, self.bed.rng
        touched_at = air.now
        while air.now < touched_at + SETTLE_TIMEOUT:
            await asyncio.sleep(rng.uniform(*_TYPING))
            if air.now > touched_at + STABLE_SECONDS and (display := _stable_display(self.bed.log)):
                return make_display_entry(air.now, typed_text(display, rng))
            await asyncio.sleep(1 / RATE)
        return None


def _stable_display(log: Sequence[DisplayRefresh]) -> DisplayState | None:
    """Return the display if it has been stable; None if it has not, or if it is blank."""
    newest = log[-1].display
    recent = {(refresh.display.digits, refresh.display.unit) for refresh in log[-math.ceil(STABLE_SECONDS * RATE) :]}
    return newest if len(recent) == 1 and not newest.blank else None


def _recorded_refreshes(log: Sequence[DisplayRefresh], packets: Sequence[CapturedPacket]) -> tuple[DisplayRefresh, ...]:
    """Return the refreshes whose packets were recorded, on a link that loses none.

    Raises:
        ValueError: the packets recorded are not the packets sent.
    """
    unmatched = [packet.data for packet in packets]
    first = len(log)
    while unmatched and first:
        first -= 1
        sent = log[first].packets
        if sent:
            if tuple(unmatched[-len(sent) :]) != sent:
                raise ValueError("The recorded packets differ from the packets sent.")
            del unmatched[-len(sent) :]
    if unmatched:
        raise ValueError("More packets were recorded than sent.")
    return tuple(log[first:])

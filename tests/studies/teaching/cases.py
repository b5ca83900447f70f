"""Sessions for `teaching_study`: a technician takes readings with a simulated meter while its packets are recorded.

Bench, meter, radio and bleak are those of every other simulation; the parts and the order they are measured in are
seeded. The technician waits until the display stands still and types what it shows, as a person would spell it.
"""

import asyncio
import math
from collections.abc import Iterator, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass
from itertools import count, zip_longest
from random import Random

from bleak import BleakClient

from meterlink.capture.files import Capture, CapturedMeter, Label, Packet, label_at
from meterlink.core.units import parse_amount
from meterlink.judge.uncertainty import parse_accuracy
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Component, Leg, Star, Supply, Surface
from meterlink_simulators.display import Shown
from meterlink_simulators.encoders import Encoder, Services
from meterlink_simulators.encoders.catalogue import encoder_named
from meterlink_simulators.encoders.ranged import ORDERS_UUID, PATIENCE, RangedEncoder
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.probes import Clip
from meterlink_simulators.radio import Air
from meterlink_simulators.ranges import Function, FunctionSpec, MeterSpec, Range
from meterlink_simulators.warp import run_warped

RATE = 5.0  # display refreshes a second
# A display that has not changed for this long is read, s: longer than a label reaches back, and than a frame that is
# held back by its meter comes late.
_STILL = 1.0
# s that a technician waits for a display to come to rest: a large capacitor takes half a minute. A part that stays
# between two counts is given up, and another one like it measured.
_PATIENCE = 40.0
_ALIKE = 4  # parts of each kind that are at hand
_TYPING = (0.02, 0.15)  # s between reading the display and the label's time
_REACH = (0.5, 1.0)  # s; a hand on its way from one part to the next

SCALES = {
    Function.CAPACITANCE: ("6.000 µF", "60.00 µF", "600.0 µF"),
    Function.RESISTANCE: ("600.0 ohm", "6.000 kohm", "60.00 kohm", "600.0 kohm", "6.000 Mohm"),
    Function.AC_VOLTS: ("6.000 V", "60.00 V", "600.0 V"),
    Function.DC_VOLTS: ("6.000 V", "60.00 V", "600.0 V"),
    Function.FREQUENCY: ("60.00 Hz", "600.0 Hz"),
    Function.TEMPERATURE: ("600.0 °C",),
}
SIX = tuple(SCALES)
_ACCURACY = parse_accuracy("0.5 % + 3 digits")
# The part of a full scale that a part's value is drawn from, where no lower range shows it better.
_LEAST, _MOST = 0.02, 0.97
_COLDEST, _HOTTEST = -39.0, 150.0  # °C, a freezer and a discharge line


@dataclass(frozen=True, slots=True)
class Stop:
    """One part to measure: the dial, the part, and where the probes go."""

    function: Function
    part: Component
    clip: Clip


@dataclass(frozen=True, slots=True)
class Refresh:
    """One refresh of the display and the packets it sent."""

    shown: Shown
    packets: tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class Session:
    """What was recorded, and every refresh of the display from the first recorded packet on."""

    capture: Capture
    refreshes: tuple[Refresh, ...]


class _Logged:
    """An encoder that keeps what it was asked to send."""

    def __init__(self, encoder: Encoder) -> None:
        self.encoder = encoder
        self.log: list[Refresh] = []

    def services(self) -> Services:
        return self.encoder.services()

    def encode(self, shown: Shown) -> list[tuple[str, bytes]]:
        packets = self.encoder.encode(shown)
        self.log.append(Refresh(shown, tuple(packet for _, packet in packets)))
        return packets


def stops(functions: Sequence[Function], seed: int, number: int) -> list[list[Stop]]:
    """Return what to measure: every range of every function, both signs and an overload, over and over.

    ``number`` kinds of reading, each with some parts alike of which one is to be measured. The first round goes through
    the functions in turn, so that each is measured early.
    """
    rng = Random(f"stops/{seed}")
    found: list[list[Stop]] = []
    names = count(1)
    while len(found) < number:
        kinds = [list(_kinds(function)) for function in functions]
        for kind in kinds:
            rng.shuffle(kind)
        for round_ in zip_longest(*kinds):
            wanted = (kind for kind in round_ if kind is not None)
            found += [[_stop(f"part {next(names)}", rng, *kind) for _ in range(_ALIKE)] for kind in wanted]
    return found[:number]


def _kinds(function: Function) -> Iterator[tuple[Function, int, int]]:
    """Yield (function, number of its range, sign); the range after the last is overload."""
    for number in range(len(SCALES[function])):
        yield function, number, 1
        if function.signed:
            yield function, number, -1
    if function is not Function.TEMPERATURE:  # nothing on a unit is that hot
        yield function, len(SCALES[function]), 1


def _stop(name: str, rng: Random, function: Function, number: int, sign: int) -> Stop:
    full = [float(parse_amount(scale, function.quantity).base) for scale in SCALES[function]]
    if number < len(full):
        least = max(full[number] * _LEAST, full[number - 1] * 1.02 if number else 0.0)
        value = sign * rng.uniform(least, full[number] * _MOST)
    else:
        value = full[-1] * rng.uniform(1.1, 1.5)
    part: Component
    match function:
        case Function.CAPACITANCE:
            part = Star(name, "bench", {"1": Leg(farads=value), "2": Leg()})
        case Function.RESISTANCE:
            part = Star(name, "bench", {"1": Leg(ohms=value if number < len(full) else math.inf), "2": Leg()})
        case Function.AC_VOLTS:
            part = Supply(name, "bench", ("1", "2"), value, 50.0)
        case Function.DC_VOLTS:
            part = Star(name, "bench", {"1": Leg(farads=1e-4, volts=value), "2": Leg()})
        case Function.FREQUENCY:
            part = Supply(name, "bench", ("1", "2"), 24.0, value)
        case _:
            value = rng.uniform(0.1, 1.0) * (_COLDEST if sign < 0 else _HOTTEST)
            part = Surface(name, "bench", value, value, 60.0, ("1", "2"))
    return Stop(function, part, Clip(name, "1", "2"))


def typed(shown: Shown, rng: Random) -> str:
    """Return the display as a person types it: µ and Ω spelled in one way or another, overload as OL."""
    unit = shown.unit.replace("µ", rng.choice(("u", "µ", "u"))).replace("Ω", rng.choice(("ohm", "Ω")))
    unit = unit.replace("°C", rng.choice(("degC", "°C")))
    number = "OL" if shown.digits is None else f"{shown.digits:f}"
    return f"{number} {unit}{f' {shown.coupling}' if shown.coupling else ''}"


def record(family: str, variant: int, functions: Sequence[Function], seed: int, number: int) -> Session:
    """Return a session of ``number`` labels with a meter of ``family``, simulated in virtual time."""
    return run_warped(_record(encoder_named(family, variant), stops(functions, seed, number), seed))


async def _record(encoder: Encoder, wanted: Sequence[Sequence[Stop]], seed: int) -> Session:
    bench = Bench([stop.part for alike in wanted for stop in alike], seed)
    functions = dict.fromkeys(alike[0].function for alike in wanted)
    spec = MeterSpec(
        "Plover 12",
        "C0:00:00:00:00:0A",
        seed,
        RATE,
        6000,
        tuple(
            FunctionSpec(
                function,
                tuple(Range(parse_amount(scale, function.quantity), _ACCURACY) for scale in SCALES[function]),
            )
            for function in functions
        ),
    )
    meter, logged = SimulatedMeter(spec, bench), _Logged(encoder)
    packets: list[Packet] = []
    async with AsyncExitStack() as stack:
        air = await stack.enter_async_context(Air())
        await air.add_meter(meter, encoder=logged, address=spec.address)
        client = await stack.enter_async_context(BleakClient(spec.address, backend=air.client_backend))
        for _, definitions in encoder.services():
            for definition in definitions:
                if "notify" in definition.properties:

                    def came(_: object, data: bytearray, uuid: str = definition.uuid) -> None:
                        packets.append(Packet(air.now, uuid, bytes(data)))

                    await client.start_notify(definition.uuid, came)
        if isinstance(encoder, RangedEncoder):
            await client.write_gatt_char(ORDERS_UUID, encoder.start_word)
            asking = asyncio.create_task(_keep_asking(client, encoder.keep_alive_word))
            stack.callback(asking.cancel)
        technician = _Technician(air, meter, logged, bench, Random(f"hand/{seed}"))
        labels = [await technician.read_one_of(alike) for alike in wanted]
    told = CapturedMeter(spec.name, tuple(service for service, _ in encoder.services()))
    return Session(Capture(tuple(packets), tuple(labels), told), _recorded(logged.log, packets))


async def _keep_asking(client: BleakClient, word: bytes) -> None:
    while True:
        await asyncio.sleep(PATIENCE / RATE / 2)
        await client.write_gatt_char(ORDERS_UUID, word)


@dataclass(frozen=True, slots=True)
class _Technician:
    air: Air
    meter: SimulatedMeter
    logged: _Logged
    bench: Bench
    rng: Random

    async def read_one_of(self, alike: Sequence[Stop]) -> Label:
        """Return the label of the first of some parts whose display comes to rest; ValueError where none does."""
        for stop in alike:
            if label := await self._read(stop):
                return label
        raise ValueError(f"No display of {alike[0].function} came to rest.")

    async def _read(self, stop: Stop) -> Label | None:
        self.meter.turn(stop.function)
        self.bench.lift(self.meter.name, self.air.now)
        await asyncio.sleep(self.rng.uniform(*_REACH))
        self.bench.clip(self.meter.name, stop.clip, self.air.now, bounce=self.rng.uniform(0, 0.5))
        touched = self.air.now
        while self.air.now < touched + _PATIENCE:
            await asyncio.sleep(self.rng.uniform(*_TYPING))
            if self.air.now > touched + _STILL and (shown := _standing_still(self.logged.log)):
                return label_at(self.air.now, typed(shown, self.rng))
            await asyncio.sleep(1 / RATE)
        return None


def _standing_still(log: Sequence[Refresh]) -> Shown | None:
    """Return the display where it has stood still, None where it has not or shows nothing."""
    newest = log[-1].shown
    recent = {(refresh.shown.digits, refresh.shown.unit) for refresh in log[-math.ceil(_STILL * RATE) :]}
    return newest if len(recent) == 1 and not newest.blank else None


def _recorded(log: Sequence[Refresh], packets: Sequence[Packet]) -> tuple[Refresh, ...]:
    """Return the refreshes whose packets were recorded; a link that loses none is taken for granted, and checked."""
    left = [packet.data for packet in packets]
    first = len(log)
    while left and first:
        first -= 1
        sent = log[first].packets
        if sent:
            if tuple(left[-len(sent) :]) != sent:
                raise ValueError("What was recorded is not what was sent.")
            del left[-len(sent) :]
    if left:
        raise ValueError("More was recorded than was sent.")
    return tuple(log[first:])

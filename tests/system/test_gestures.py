"""The gestures of the probes at a whole station, with simulated meters that bounce."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.equipment import CircuitState, Meter, Plan, PointKind, Site, Span, TestPoint
from meterlink.core.units import Quantity
from meterlink.link.messages import CommandName
from meterlink.settings import Settings
from meterlink.station.station import Station, StationConfig
from meterlink_simulators.air import Air
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Leg, Star
from meterlink_simulators.encoders.presented import PresentedEncoder
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import MeterFunction
from meterlink_simulators.scenario import shipped_scenario
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

SPEC = shipped_scenario("demo").meters[0]
TIPS = 0.2  # Ω of the leads, held together
BOUNCE = 0.4  # s
OUTER_LIMIT = 300  # virtual s; a limit, not a wait


def farads(key: str, low: str, high: str) -> TestPoint:
    limits = Span(Decimal(low), Decimal(high), "µF")
    return TestPoint(
        key, "compressor", f"capacitor {key}", ("C", key), Quantity.CAPACITANCE, CircuitState.ISOLATED,
        PointKind.CAPACITOR, limits,
    )  # fmt: skip


def ohms(key: str, low: str, high: str, kind: PointKind = PointKind.COIL) -> TestPoint:
    limits = Span(Decimal(low), Decimal(high), "Ω")
    return TestPoint(
        key, "control", f"coil {key}", ("A1", "A2"), Quantity.RESISTANCE, CircuitState.ISOLATED, kind, limits
    )


HERM, FAN, COIL = farads("HERM", "42.3", "47.7"), farads("FAN", "7", "8"), ohms("coil", "300", "600")


class Hands:
    """The probes of one meter at a station, and the newest view of each topic."""

    def __init__(self, station: Station, bench: Bench, air: Air) -> None:
        self.station = station
        self.bench = bench
        self.air = air
        self.views: dict[str, Any] = {}
        station.add_listener(lambda message: self.views.__setitem__(message["topic"], message))

    def on(self, place: str, bounce: float = BOUNCE) -> None:
        self.bench.attach_probes(SPEC.name, TerminalPair(place, "1", "2"), self.air.now, bounce)

    def off(self) -> None:
        self.bench.lift_probes(SPEC.name, self.air.now)

    async def hold(self, place: str, seconds: float, bounce: float = BOUNCE) -> None:
        self.on(place, bounce)
        await asyncio.sleep(seconds)

    async def lift(self, seconds: float) -> None:
        self.off()
        await asyncio.sleep(seconds)

    async def until_accepted(self, *texts: str) -> None:
        """Return when the accepted readings are these, in plan order and rounded to two figures."""
        async with asyncio.timeout(30):
            while self.accepted != list(texts):  # noqa: ASYNC110  # the condition has no event
                await asyncio.sleep(0.05)

    @property
    def accepted(self) -> list[str]:
        points = self.views["visit"]["points"]
        numbers = [(point["key"], point["accepted"]["number_text"]) for point in points if point["accepted"]]
        return [f"{key} {text if text == 'OL' else format(float(text), '.2g')}" for key, text in numbers]

    def repeats(self, key: str) -> int:
        (point,) = (point for point in self.views["visit"]["points"] if point["key"] == key)
        return point["repeats"] if point["accepted"] else -1

    @property
    def focus(self) -> str | None:
        focus: str | None = self.views["visit"]["focus"]
        return focus

    @property
    def advice(self) -> str:
        return str(self.views["visit"]["advice"])

    @property
    def offers(self) -> list[str]:
        return list(self.views["visit"]["offers"])

    async def press(self, command: CommandName) -> None:
        assert await self.station.execute({"id": 1, "command": command}) == ""


def work(
    folder: Path,
    points: tuple[TestPoint, ...],
    parts: Mapping[str, Leg],
    function: MeterFunction,
    body: Callable[[Hands], Awaitable[None]],
) -> None:
    """Run ``body`` at a station in a visit with ``points``, with one meter on the air and ``parts`` on the bench."""
    stations: list[Station] = []

    async def run() -> None:
        async with Air() as air:
            bench = Bench(Star(name, "part", {"1": leg, "2": Leg()}) for name, leg in parts.items())
            meter = SimulatedMeter(SPEC, bench)
            meter.turn_dial(function)
            await air.add_meter(meter, encoder=PresentedEncoder(), address=SPEC.address)
            config = StationConfig(
                folder, Settings("test"), Site("bakery", "roof"), Plan("test", points), "boot",
                meters=(Meter(SPEC.address, SPEC.name),), serve=False, clock=VirtualClock(),
                scanner_backend=air.scanner_backend, client_backend=air.client_backend,
            )  # fmt: skip
            station = Station(config)
            stations.append(station)
            hands = Hands(station, bench, air)
            task = asyncio.create_task(station.run())
            await station.started.wait()
            try:
                async with asyncio.timeout(OUTER_LIMIT):
                    while "live" not in hands.views:  # noqa: ASYNC110  # the meter is being connected
                        await asyncio.sleep(0.1)
                    await body(hands)
            finally:
                station.stop()
                await task

    run_in_virtual_time(run(), busy=lambda: any(station.busy for station in stations))


CAPACITORS = {"HERM": Leg(farads=44e-6), "FAN": Leg(farads=7.4e-6), "other HERM": Leg(farads=46.6e-6)}


def at_capacitors(folder: Path, points: tuple[TestPoint, ...], body: Callable[[Hands], Awaitable[None]]) -> None:
    work(folder, points, CAPACITORS, MeterFunction.CAPACITANCE, body)


# Off for two seconds


def test_probes_off_for_two_seconds_are_the_next_point_and_a_bounce_is_not(tmp_path: Path) -> None:
    async def body(hands: Hands) -> None:
        hands.on("HERM")
        await hands.until_accepted("HERM 44")
        for _ in range(4):  # a poor contact: gaps, each shorter than a lift
            hands.bench.bounce_probes(SPEC.name, hands.air.now, 1.0)
            await asyncio.sleep(4)
            assert (hands.accepted, hands.repeats("HERM")) == (["HERM 44"], 0)
        await hands.lift(4)
        assert (hands.focus, hands.offers) == ("FAN", [])
        await hands.hold("FAN", 12)
        assert hands.accepted == ["HERM 44", "FAN 7.4"]

    at_capacitors(tmp_path, (HERM, FAN), body)


# Off and on again at once


async def come_back(hands: Hands, place: str) -> None:
    """Take the probes off right after the acceptance at HERM, and put them on ``place`` within two seconds of it."""
    hands.on("HERM")
    await hands.until_accepted("HERM 44")
    await hands.lift(0.9)
    hands.on(place)


def test_off_and_on_at_once_measures_again_where_the_next_point_needs_another_function(tmp_path: Path) -> None:
    async def body(hands: Hands) -> None:
        await come_back(hands, "HERM")
        await asyncio.sleep(12)
        assert (hands.focus, hands.repeats("HERM"), hands.offers) == ("HERM", 1, [])
        await hands.lift(4)
        assert hands.focus == "coil"

    at_capacitors(tmp_path, (HERM, COIL), body)


def test_off_and_on_at_once_measures_the_last_point_again(tmp_path: Path) -> None:
    async def body(hands: Hands) -> None:
        await come_back(hands, "HERM")
        await asyncio.sleep(12)
        assert (hands.focus, hands.repeats("HERM")) == ("HERM", 1)
        await hands.lift(4)
        assert hands.focus is None

    at_capacitors(tmp_path, (HERM,), body)


def test_the_same_reading_again_is_asked_about_where_the_next_point_needs_the_same_function(tmp_path: Path) -> None:
    """44 µF would be 'outside' at the fan section: the probes are at HERM again, and the person says so."""

    async def body(hands: Hands) -> None:
        await come_back(hands, "HERM")
        await asyncio.sleep(1)
        assert hands.advice == (
            "The reading is taken for the capacitor FAN, C and FAN. "
            "If the probes are on the capacitor HERM, C and HERM again, measure it again."
        )
        assert hands.offers == ["repeat"]
        await asyncio.sleep(12)
        assert hands.accepted == ["HERM 44"]
        assert (hands.focus, hands.offers) == ("FAN", ["repeat", "accept"])
        assert hands.advice == (
            "The same reading again. On the capacitor HERM, C and HERM: measure it again. "
            "On the capacitor FAN, C and FAN: accept it."
        )
        await hands.press(CommandName.REPEAT)
        await asyncio.sleep(8)
        assert (hands.focus, hands.repeats("HERM"), hands.offers) == ("HERM", 1, [])

    at_capacitors(tmp_path, (HERM, FAN), body)


def test_the_same_reading_can_be_that_of_the_next_point(tmp_path: Path) -> None:
    """Two legs of a supply, or two equal capacitors: the key accepts it, and so does a later contact without a key."""

    async def body(hands: Hands) -> None:
        await come_back(hands, "HERM")
        await asyncio.sleep(12)
        await hands.press(CommandName.ACCEPT)
        await hands.until_accepted("HERM 44", "other HERM 44")

    at_capacitors(tmp_path, (HERM, farads("other HERM", "42.3", "47.7")), body)

    async def without_a_key(hands: Hands) -> None:
        await come_back(hands, "HERM")
        await asyncio.sleep(12)
        await hands.lift(3)
        assert hands.offers == []
        await hands.hold("HERM", 12)
        assert hands.accepted == ["HERM 44", "other HERM 44"]

    (tmp_path / "second").mkdir()
    at_capacitors(tmp_path / "second", (HERM, farads("other HERM", "42.3", "47.7")), without_a_key)


def test_a_quick_hand_goes_on_to_the_next_part_without_a_key(tmp_path: Path) -> None:
    async def body(hands: Hands) -> None:
        await come_back(hands, "FAN")
        await hands.until_accepted("HERM 44", "FAN 7.4")
        assert hands.offers == ["repeat"]
        assert hands.advice.startswith("The reading was taken for the capacitor FAN, C and FAN.")
        await hands.lift(4)
        assert (hands.focus, hands.offers) == (None, [])

    at_capacitors(tmp_path, (HERM, FAN), body)


def test_a_reading_taken_for_the_next_point_can_be_taken_back(tmp_path: Path) -> None:
    """The first contact at HERM was poor; the second reads otherwise, and was meant as a repeat."""

    async def body(hands: Hands) -> None:
        await come_back(hands, "other HERM")
        await hands.until_accepted("HERM 44", "FAN 47")
        await hands.press(CommandName.REPEAT)
        await hands.until_accepted("HERM 47")
        assert (hands.focus, hands.repeats("HERM"), hands.repeats("FAN")) == ("HERM", 1, -1)

    at_capacitors(tmp_path, (HERM, FAN), body)


def test_probes_that_come_back_later_are_at_the_next_point(tmp_path: Path) -> None:
    async def body(hands: Hands) -> None:
        hands.on("HERM")
        await hands.until_accepted("HERM 44")
        await asyncio.sleep(1.5)
        await hands.lift(3)
        await hands.hold("FAN", 1)
        assert (hands.focus, hands.offers) == ("FAN", [])

    at_capacitors(tmp_path, (HERM, FAN), body)


# Together, then on the part


def at_coil(
    folder: Path, part: float, body: Callable[[Hands], Awaitable[None]], points: tuple[TestPoint, ...] = (COIL,)
) -> None:
    parts = {"tips": Leg(ohms=TIPS), "coil": Leg(ohms=part)}
    work(folder, points, parts, MeterFunction.RESISTANCE, body)


async def prove_leads(hands: Hands) -> None:
    await hands.hold("tips", 4)
    await hands.lift(2.5)  # the meter goes through its ranges first


def test_a_short_that_the_leads_cannot_show_needs_no_key_after_their_proof(tmp_path: Path) -> None:
    """12 Ω on a coil of 300 to 600 Ω, with leads that read 0.2 Ω together: no contact of two clean tips reads 12 Ω.

    Common practice, no source.
    """

    async def body(hands: Hands) -> None:
        await prove_leads(hands)
        await hands.hold("coil", 3)
        assert hands.accepted == []
        await asyncio.sleep(4)
        (point,) = hands.views["visit"]["points"]
        assert point["accepted"]["verdict"] == "shorted"
        assert point["accepted"]["reason"].endswith("Held together before, the probes read 0.2 Ω.")
        assert point["accepted"]["settled_in"] > 3

    at_coil(tmp_path, 12.0, body)


@pytest.mark.parametrize(
    ("part", "prove"),
    [
        pytest.param(12.0, False, id="leads not proven"),
        pytest.param(0.3, True, id="no more than the leads may show"),
    ],
)
def test_other_shorts_are_asked_about(tmp_path: Path, part: float, prove: bool) -> None:  # a parameter of the test
    async def body(hands: Hands) -> None:
        if prove:
            await prove_leads(hands)
        await hands.hold("coil", 10)
        assert (hands.accepted, hands.offers) == ([], ["accept"])
        await hands.press(CommandName.ACCEPT)
        await hands.until_accepted(f"coil {part:.2g}")

    at_coil(tmp_path, part, body)


def test_an_open_part_is_never_accepted_without_a_key(tmp_path: Path) -> None:
    """An open coil and probes in the air are the same circuit: the person who sees the probes says which it is."""

    async def body(hands: Hands) -> None:
        await hands.lift(3)
        assert "hold the probes together for a second, to prove the leads" in hands.advice
        await prove_leads(hands)
        assert "The leads are proven: held together they read 0.2 Ω." in hands.advice
        await hands.hold("coil", 20)
        assert (hands.accepted, hands.offers) == ([], ["accept"])
        assert hands.advice.endswith(
            "OPEN? The leads are proven (0.2 Ω), and it reads overload, as it does in the air. "
            "If both probes are on A1 and A2, accept this reading."
        )
        await hands.press(CommandName.ACCEPT)
        await hands.until_accepted("coil OL")
        (point,) = hands.views["visit"]["points"]
        assert point["accepted"]["verdict"] == "open"
        assert point["accepted"]["reason"].endswith("Held together before, the probes read 0.2 Ω.")

    at_coil(tmp_path, float("inf"), body)


def test_leads_held_together_are_no_reading_of_a_winding(tmp_path: Path) -> None:
    """A compressor's run winding has some tenths of an ohm, and so have the leads (common practice, no source)."""
    winding = ohms("winding", "0.6", "2", PointKind.RANGE)

    async def body(hands: Hands) -> None:
        await hands.hold("tips", 4)
        assert hands.accepted == []
        assert hands.advice.startswith("0.2 Ω is as little as the probes held together may show.")
        await hands.lift(3)
        await hands.hold("coil", 4)  # more than the proven leads
        assert hands.accepted == ["winding 0.8"]

    at_coil(tmp_path, 0.8, body, (winding,))

    async def unproven(hands: Hands) -> None:
        await hands.hold("coil", 6)
        assert (hands.accepted, hands.offers) == ([], ["accept"])

    (tmp_path / "second").mkdir()
    at_coil(tmp_path / "second", 0.8, unproven, (winding,))

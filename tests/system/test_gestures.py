"""The gestures of the probes at a whole station, with simulated meters that bounce."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from decimal import Decimal
from pathlib import Path

import pytest

from meterlink.core.equipment import CircuitState, Plan, PointKind, Span, TestPoint
from meterlink.core.units import Quantity
from meterlink.link.messages import CommandName
from meterlink_simulators.components import Leg, Star
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import MeterFunction
from meterlink_simulators.scenario import shipped_scenario
from support.bench_stations import BOUNCE, BenchStation, work_at_bench

SPEC = shipped_scenario("demo").meters[0]
TIPS = 0.2  # Ω of the leads, held together


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


class Hands(BenchStation):
    """The probes of the one meter."""

    def touch(self, place: str, bounce: float = BOUNCE) -> None:
        self.on(SPEC, TerminalPair(place, "1", "2"), bounce)

    async def hold(self, place: str, seconds: float, bounce: float = BOUNCE) -> None:
        self.touch(place, bounce)
        await asyncio.sleep(seconds)

    async def lift(self, seconds: float) -> None:
        self.off(SPEC)
        await asyncio.sleep(seconds)

    async def until_accepted(self, *texts: str) -> None:
        """Return when the accepted readings are these, in plan order and rounded to two figures."""
        await self.until(lambda: self.accepted_texts == list(texts))

    @property
    def accepted_texts(self) -> list[str]:
        numbers = [(key, accepted["number_text"]) for key, accepted in self.accepted.items()]
        return [f"{key} {text if text == 'OL' else format(float(text), '.2g')}" for key, text in numbers]

    def repeats(self, key: str) -> int:
        (point,) = (point for point in self.views["visit"]["points"] if point["key"] == key)
        return point["repeats"] if point["accepted"] else -1


def work(
    folder: Path,
    points: tuple[TestPoint, ...],
    parts: Mapping[str, Leg],
    function: MeterFunction,
    body: Callable[[Hands], Awaitable[None]],
) -> None:
    """Run ``body`` at a station in a visit with ``points``, with one meter on the air and ``parts`` on the bench."""

    async def turn_dial_first(bench_station: BenchStation) -> None:
        bench_station.meters[SPEC.name].turn_dial(function)
        await asyncio.sleep(1)
        await body(Hands(bench_station.station, bench_station.bench, bench_station.air, bench_station.meters))

    stars = [Star(name, "part", {"1": leg, "2": Leg()}) for name, leg in parts.items()]
    work_at_bench(folder, Plan("test", points), stars, [SPEC], turn_dial_first)


CAPACITORS = {"HERM": Leg(farads=44e-6), "FAN": Leg(farads=7.4e-6), "other HERM": Leg(farads=46.6e-6)}


def at_capacitors(folder: Path, points: tuple[TestPoint, ...], body: Callable[[Hands], Awaitable[None]]) -> None:
    work(folder, points, CAPACITORS, MeterFunction.CAPACITANCE, body)


# Off for two seconds


def test_probes_off_for_two_seconds_are_the_next_point_and_a_bounce_is_not(tmp_path: Path) -> None:
    async def body(hands: Hands) -> None:
        hands.touch("HERM")
        await hands.until_accepted("HERM 44")
        for _ in range(4):  # a poor contact: gaps, each shorter than a lift
            hands.bench.bounce_probes(SPEC.name, hands.air.now, 1.0)
            await asyncio.sleep(4)
            assert (hands.accepted_texts, hands.repeats("HERM")) == (["HERM 44"], 0)
        await hands.lift(4)
        assert (hands.focus, hands.offers) == ("FAN", [])
        await hands.hold("FAN", 12)
        assert hands.accepted_texts == ["HERM 44", "FAN 7.4"]

    at_capacitors(tmp_path, (HERM, FAN), body)


# Off and on again at once


async def come_back(hands: Hands, place: str) -> None:
    """Take the probes off right after the acceptance at HERM, and put them on ``place`` within two seconds of it."""
    hands.touch("HERM")
    await hands.until_accepted("HERM 44")
    await hands.lift(0.9)
    hands.touch(place)


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
        assert hands.accepted_texts == ["HERM 44"]
        assert (hands.focus, hands.offers) == ("FAN", ["repeat", "accept"])
        assert hands.advice == (
            "The same reading again. On the capacitor HERM, C and HERM: measure it again. "
            "On the capacitor FAN, C and FAN: accept it."
        )
        await hands.send(CommandName.REPEAT)
        await asyncio.sleep(8)
        assert (hands.focus, hands.repeats("HERM"), hands.offers) == ("HERM", 1, [])

    at_capacitors(tmp_path, (HERM, FAN), body)


def test_the_same_reading_can_be_that_of_the_next_point(tmp_path: Path) -> None:
    """Two legs of a supply, or two equal capacitors: the key accepts it, and so does a later contact without a key."""

    async def body(hands: Hands) -> None:
        await come_back(hands, "HERM")
        await asyncio.sleep(12)
        await hands.send(CommandName.ACCEPT)
        await hands.until_accepted("HERM 44", "other HERM 44")

    at_capacitors(tmp_path, (HERM, farads("other HERM", "42.3", "47.7")), body)

    async def without_a_key(hands: Hands) -> None:
        await come_back(hands, "HERM")
        await asyncio.sleep(12)
        await hands.lift(3)
        assert hands.offers == []
        await hands.hold("HERM", 12)
        assert hands.accepted_texts == ["HERM 44", "other HERM 44"]

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
        await hands.send(CommandName.REPEAT)
        await hands.until_accepted("HERM 47")
        assert (hands.focus, hands.repeats("HERM"), hands.repeats("FAN")) == ("HERM", 1, -1)

    at_capacitors(tmp_path, (HERM, FAN), body)


def test_probes_that_come_back_later_are_at_the_next_point(tmp_path: Path) -> None:
    async def body(hands: Hands) -> None:
        hands.touch("HERM")
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
        assert hands.accepted_texts == []
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
        assert (hands.accepted_texts, hands.offers) == ([], ["accept"])
        await hands.send(CommandName.ACCEPT)
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
        assert (hands.accepted_texts, hands.offers) == ([], ["accept"])
        assert hands.advice.endswith(
            "OPEN? The leads are proven (0.2 Ω), and it reads overload, as it does in the air. "
            "If both probes are on A1 and A2, accept this reading."
        )
        await hands.send(CommandName.ACCEPT)
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
        assert hands.accepted_texts == []
        assert hands.advice.startswith("0.2 Ω is as little as the probes held together may show.")
        await hands.lift(3)
        await hands.hold("coil", 4)  # more than the proven leads
        assert hands.accepted_texts == ["winding 0.8"]

    at_coil(tmp_path, 0.8, body, (winding,))

    async def unproven(hands: Hands) -> None:
        await hands.hold("coil", 6)
        assert (hands.accepted_texts, hands.offers) == ([], ["accept"])

    (tmp_path / "second").mkdir()
    at_coil(tmp_path / "second", 0.8, unproven, (winding,))

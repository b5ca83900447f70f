"""Voltage where there must be none is a stop at once; so little AC that coupling may be all is said differently."""

from decimal import Decimal

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Plan, PointKind, Site, TestPoint
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Limits
from meterlink.station.advice import advice
from meterlink.station.diagnosis import VisitDiagnosis
from meterlink.station.stops import stop_view
from meterlink.station.tracker import MeterTracker
from meterlink.station.visit import ActiveVisit

ISOLATED, ENERGIZED = CircuitState.ISOLATED, CircuitState.ENERGIZED


def make_point(key: str, quantity: Quantity, state: CircuitState) -> TestPoint:
    coupling = Coupling.AC if quantity is Quantity.VOLTAGE else None
    return TestPoint(
        key, "compressor", f"part {key}", ("L1", "L2"), quantity, state, PointKind.RANGE, coupling=coupling
    )


def make_visit(*points: TestPoint) -> ActiveVisit:
    usual = (make_point("coil", Quantity.RESISTANCE, ISOLATED), make_point("line", Quantity.VOLTAGE, ENERGIZED))
    return ActiveVisit(Site("site", "unit"), Plan("test", points or usual), 0, "6 %")


def volts(text: str, time: float = 0.0, coupling: Coupling | None = Coupling.AC) -> Reading:
    timestamp = Timestamp(0, round(time * 1e9))
    if text == "OL":
        return Reading(Quantity.VOLTAGE, None, "V", timestamp, Status.OVERLOAD, coupling)
    number, _, unit = text.partition(" ")
    return Reading(
        Quantity.VOLTAGE, Decimal(number), unit or "V", timestamp, coupling=coupling, resolution=Decimal("0.1")
    )


def tracker(*readings: Reading, address: str = "M") -> MeterTracker:
    made = MeterTracker(address, "Alder", 1)
    for reading in readings:
        made.add_reading(reading)
    return made


@pytest.mark.parametrize(
    ("text", "coupling", "level"),
    [
        ("241.3", Coupling.AC, "voltage"),
        ("50.0", Coupling.AC, "voltage"),  # the touch voltage of work practice (NFPA 70E, from memory)
        ("49.9", Coupling.AC, "voltage or ghost"),
        ("3.1", Coupling.AC, "voltage or ghost"),
        ("900.0 mV", Coupling.AC, None),  # stray pick-up of open leads: common practice, no source
        ("2.9", Coupling.AC, None),
        ("12.0", Coupling.DC, "voltage"),  # a charge, which no coupling gives: common practice, no source
        ("-325.0", Coupling.DC, "voltage"),
        ("12.0", None, "voltage"),  # it may be DC
        ("OL", Coupling.AC, "voltage"),  # above the range
    ],
)
def test_the_first_reading_tells(text: str, coupling: Coupling | None, level: str | None) -> None:
    stop = stop_view(make_visit(), [tracker(volts(text, coupling=coupling))])
    assert (stop["level"] if stop else None) == level


def test_a_ghost_is_said_with_the_check_that_decides_and_never_called_safe() -> None:
    """A low-impedance meter loads the coupling, so that a ghost collapses: common practice, no source."""
    ghost = stop_view(make_visit(), [tracker(volts("12.4"))])
    assert ghost == {
        "level": "voltage or ghost",
        "title": "VOLTAGE, OR A GHOST",
        "text": "Alder reads 12.4 V AC at a circuit that must be isolated. It may be a ghost, coupled from a wire "
        "beside, or a source: treat it as live. A low-impedance meter or adapter tells: a ghost falls to almost "
        "nothing, a source stays.",
    }
    stop = stop_view(make_visit(), [tracker(volts("241.3"))])
    assert stop is not None
    assert stop["text"].startswith("Alder reads 241.3 V AC. Keep your hands off: for the part coil the circuit must be")
    assert "proven before and after" in stop["text"]
    for text in (ghost["text"], stop["text"]):
        assert "safe" not in text
        assert "dead" not in text


def test_it_is_no_stop_where_the_circuit_is_energized() -> None:
    visit = make_visit()
    meter = tracker(volts("241.3"))
    visit.set_focus("line")
    assert stop_view(visit, [meter]) is None
    visit.set_focus("coil")  # the next point was chosen with the probes still on the line
    assert stop_view(visit, [meter]) is not None
    visit.pin("M", "line")  # this meter watches the line
    assert stop_view(visit, [meter]) is None
    visit.focus = None
    assert stop_view(visit, [tracker(volts("241.3"))]) is None


def test_any_meter_stops_the_work_and_the_worst_is_said() -> None:
    clamp = tracker(Reading(Quantity.CURRENT, Decimal("0.0"), "A", Timestamp(0, 0), resolution=Decimal("0.1")))
    ghost, line = tracker(volts("12.0"), address="G"), tracker(volts("241.3"), address="L")
    visit = make_visit()
    assert stop_view(visit, [clamp]) is None
    assert stop_view(visit, [clamp, ghost]) is not None
    stop = stop_view(visit, [clamp, ghost, line])
    assert stop is not None
    assert stop["level"] == "voltage"


def test_a_bounce_ends_no_stop_and_two_seconds_without_voltage_do() -> None:
    visit, meter = make_visit(), tracker(volts("241.3", 0.0), volts("0.0", 0.1))
    assert stop_view(visit, [meter]) is not None
    meter.add_reading(volts("240.0", 1.0))
    meter.add_reading(volts("0.0", 2.9))
    assert stop_view(visit, [meter]) is not None
    meter.add_reading(volts("0.0", 3.0))
    assert stop_view(visit, [meter]) is None


def test_a_reading_of_another_function_says_which_untested_point_it_fits() -> None:
    visit = make_visit()
    visit.set_focus("coil")
    meter = tracker(*(volts("24.1", n / 10) for n in range(3)))
    visit.points["coil"] = make_point("coil", Quantity.RESISTANCE, ENERGIZED)
    visit.limits["coil"] = Limits(Decimal(10), Decimal(18), "Ω", "10 to 18 Ω")
    assert advice(visit, meter, VisitDiagnosis(visit).diagnosis) == (
        "Alder reads 24.1 V AC: not of the part coil; it fits the untested part line, L1 and L2. "
        "Pick that test point, or turn Alder to resistance."
    )

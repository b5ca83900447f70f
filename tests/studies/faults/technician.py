"""A simulated technician: walks the test points of a plan, reads each with a simulated meter, follows the advice."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from random import Random

from meterlink.core.equipment import CircuitState, PointKind, TestPoint
from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity, parse_amount, resolution_of
from meterlink.core.verdicts import Margin, Verdict
from meterlink.diagnosis.causes import Cause, CauseKind, Confidence, Diagnosis
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case as Readings
from meterlink.diagnosis.observations import Observation, PointReadings, judge_with_known_limits, observe
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.uncertainty import parse_accuracy
from meterlink.station.diagnosis import supply_frequency
from meterlink.station.rules import shipped_rules
from meterlink_simulators.bench import Bench
from meterlink_simulators.display import DisplayState
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.ranges import NOISE, FunctionSpec, MeterFunction, MeterSpec, Range
from studies.faults.cases import Case
from studies.faults.faulty_bench import FaultyBench

# {function: (full scales, accuracy line)} of two kinds of meters: a careful technician's, and a cheap one.
_FINE: Mapping[MeterFunction, tuple[tuple[str, ...], str]] = {
    MeterFunction.CAPACITANCE: (("6.000 uF", "60.00 uF", "600.0 uF"), "1.0 % + 3 digits"),
    MeterFunction.RESISTANCE: (
        ("60.00 ohm", "600.0 ohm", "6.000 kohm", "60.00 kohm", "600.0 kohm", "6.000 Mohm", "60.00 Mohm"),
        "0.5 % + 2 digits",
    ),
    MeterFunction.AC_VOLTS: (("6.000 V", "60.00 V", "600.0 V"), "0.8 % + 3 digits"),
    MeterFunction.DC_VOLTS: (("6.000 V", "60.00 V", "600.0 V"), "0.5 % + 2 digits"),
    MeterFunction.AC_AMPS: (("6.000 A", "60.00 A", "600.0 A"), "1.5 % + 3 digits"),
    MeterFunction.TEMPERATURE: (("600.0 degC",), "1.0 % + 10 digits"),
}
_COARSE: Mapping[MeterFunction, tuple[tuple[str, ...], str]] = {
    MeterFunction.CAPACITANCE: (("2.000 uF", "20.00 uF", "200.0 uF"), "3.0 % + 5 digits"),
    MeterFunction.RESISTANCE: (
        ("200.0 ohm", "2.000 kohm", "20.00 kohm", "200.0 kohm", "2.000 Mohm", "20.00 Mohm"),
        "1.0 % + 4 digits",
    ),
    MeterFunction.AC_VOLTS: (("2.000 V", "20.00 V", "200.0 V", "600 V"), "1.2 % + 5 digits"),
    MeterFunction.DC_VOLTS: (("2.000 V", "20.00 V", "200.0 V", "600 V"), "1.0 % + 3 digits"),
    MeterFunction.AC_AMPS: (("20.00 A", "200.0 A"), "2.5 % + 5 digits"),
    MeterFunction.TEMPERATURE: (("600 degC",), "2.0 % + 3 digits"),
}
METERS = {"fine": _FINE, "coarse": _COARSE}

# Resistance of a probe's contact on bare metal, Ω. Common practice, no source.
_MOST_CONTACT_OHMS = 0.02
# Lower volts are pick-up (`meterlink.station.advice`).
_LEAST_STRAY_VOLTS = 3.0
_MOST_REPEATS = 2  # of one reading: "measured three times" is as patient as anybody is
_MOST_ROUNDS = 2  # of optional test points: nobody goes around a unit for ever
_SECONDS_FOR_A_POINT = 30.0
_SIX_MINUTES = 360.0
LIKELY = {Confidence.VERY_LIKELY, Confidence.LIKELY}


def meter_spec(kind: str, seed: int, battery: float = 100.0) -> MeterSpec:
    """Return one specimen of a ``kind`` of meter in `METERS`; ``seed`` fixes its errors."""
    functions = tuple(
        FunctionSpec(
            function, tuple(Range(parse_amount(scale, function.quantity), parse_accuracy(line)) for scale in scales)
        )
        for function, (scales, line) in METERS[kind].items()
    )
    return MeterSpec(f"{kind} meter", "00:00:5E:00:53:0A", seed, 5.0, 6000, functions, battery)


@dataclass(frozen=True, slots=True)
class Visit:
    """The readings of a walk, in the order of the plan, and the diagnosis at its end."""

    readings: tuple[PointReadings, ...]
    diagnosis: Diagnosis

    @property
    def first(self) -> Cause | None:
        """The cause that is said first; None where no cause is."""
        return next(iter(self.diagnosis.causes), None)


class Technician:
    """Walks a faulty unit with one meter; ``seed`` fixes the meter's errors and the noise of each reading."""

    def __init__(self, bench: FaultyBench, case: Case, kind: str, seed: int) -> None:
        self._bench = bench
        self._case = case
        self._kind = kind
        self._meter = SimulatedMeter(meter_spec(kind, seed, case.battery), Bench([]))
        self._rng = Random(f"{case.name}/{kind}/{seed}")
        self._points = bench.unit.points(case.ratings)
        self._stages = {point.key: stage for stage, point in self._points}
        self._by_key = {point.key: point for _, point in self._points}
        self._observations: dict[str, list[Observation]] = {}
        self._now = 0.0
        self._count = 0

    def walk(self) -> Visit:
        """Read the test points in the order of the plan, then those to which the readings point; ask for the diagnosis.

        An optional test point is read where its part is fitted, where the first cause is about its circuit, or where
        its fan stands still.
        """
        for group in self._groups():
            if not self._may_energize(group[0]):
                break
            due = [point for point in group if self._bench.unit.is_due(point)]
            if not all(self._visit_point(point) for point in due):
                return Visit(self._readings(), self._diagnose())
            self._follow_first_cause({point.key for point in group})
            if not self._visit_indicated(group):
                return Visit(self._readings(), self._diagnose())
        self._visit_indicated([point for _, point in self._points])
        return Visit(self._readings(), self._diagnose())

    def _visit_indicated(self, points: Sequence[TestPoint]) -> bool:
        """Read the optional ones of ``points`` in circuits with something wrong; return False where to stop."""
        for _ in range(_MOST_ROUNDS):
            first = next(iter(self._diagnose().causes), None)
            if first is not None and first.kind is CauseKind.STOP:
                return True
            needed = first.reading_numbers if first else frozenset()
            circuits = {entry.point.circuit for entry in self._readings() if entry.numbers & needed}
            circuits |= self._bench.standing_circuits()
            indicated = [
                point
                for point in points
                if point.optional
                and point.circuit in circuits
                and point.key not in self._observations
                and self._may_energize(point)
            ]
            if not indicated:
                return True
            if not all(self._visit_point(point) for point in indicated):
                return False
            self._follow_first_cause({point.key for point in indicated})
        return True

    def _groups(self) -> list[list[TestPoint]]:
        """Return the test points in runs of one state: energized, isolated, energized again."""
        groups: list[list[TestPoint]] = []
        for _, point in self._points:
            if groups and groups[-1][-1].state is point.state:
                groups[-1].append(point)
            else:
                groups.append([point])
        return groups

    def _may_energize(self, point: TestPoint) -> bool:
        """Return whether power may come back: never on a winding or heater that is low to ground."""
        if point.state is not CircuitState.ENERGIZED:
            return True
        return not any(
            entry.point.kind is PointKind.INSULATION and entry.latest and entry.latest.verdict is Verdict.OUTSIDE
            for entry in self._readings()
        )

    def _visit_point(self, point: TestPoint) -> bool:
        """Read a test point; return False where the work has to stop."""
        if point.key in self._case.not_read:
            return True
        if point.state is CircuitState.ISOLATED and self._finds_voltage(point):
            return False
        for _ in range(1 + _MOST_REPEATS):
            if not self._read(point):
                return True
            if self._is_unremarkable(point):
                return True
            diagnosis = self._diagnose()
            if diagnosis.causes and diagnosis.causes[0].kind is CauseKind.STOP:
                return False
            text = self._advice(point, diagnosis)
            if "again" not in text:
                return True
            self._wait(text)
        return True

    def _is_unremarkable(self, point: TestPoint) -> bool:
        judgement = self._observations[point.key][-1].judgement
        if judgement is None:
            return False
        clearly_within = judgement.verdict is Verdict.WITHIN and judgement.margin is Margin.CLEAR
        return clearly_within or judgement.verdict is Verdict.NO_LIMITS

    def _wait(self, text: str) -> None:
        if "six minutes" in text:
            self._now += _SIX_MINUTES

    def _follow_first_cause(self, keys: set[str]) -> None:
        """Read the test points again that the first cause asks for, among those of the present state."""
        for _ in range(_MOST_REPEATS):
            diagnosis = self._diagnose()
            first = next(iter(diagnosis.causes), None)
            if first is None or "again" not in first.next_measurement:
                return
            asked = [
                key
                for key, readings in self._observations.items()
                if key in keys
                and len(readings) <= _MOST_REPEATS
                and any(reading.number in first.reading_numbers for reading in readings)
            ]
            self._wait(first.next_measurement)
            for key in asked:
                self._read(self._by_key[key])

    def _advice(self, point: TestPoint, diagnosis: Diagnosis) -> str:
        """Return the advice of the station on the newest reading at ``point``; empty where it goes on."""
        newest = self._observations[point.key][-1]
        judgement = newest.judgement
        if judgement is None:
            return ""
        if judgement.margin is Margin.CLOSE_CALL or judgement.verdict is Verdict.CANNOT_TELL:
            return judgement.next_measurement
        related = (cause for cause in diagnosis.causes if newest.number in cause.reading_numbers)
        cause = next((cause for cause in related if cause.confidence in LIKELY), None)
        return cause.next_measurement if cause else "Measure it again."

    def _diagnose(self) -> Diagnosis:
        readings = tuple(judge_with_known_limits(entry.point, entry.readings) for entry in self._readings())
        return diagnose(Readings(readings, supply_frequency(self._bench.unit.plan.derived)), shipped_rules())

    def _readings(self) -> tuple[PointReadings, ...]:
        return tuple(
            PointReadings(point, tuple(self._observations.get(key, ()))) for key, point in self._by_key.items()
        )

    # With the meter

    def _finds_voltage(self, point: TestPoint) -> bool:
        """Verify the absence of voltage: across the test point and to ground. A voltage is kept as a reading."""
        found = False
        place = self._place(point)
        for function in (MeterFunction.AC_VOLTS, MeterFunction.DC_VOLTS):
            volts = self._bench.volts_to_ground(place, function)
            if abs(volts) >= _LEAST_STRAY_VOLTS:
                for _ in range(2):
                    self._keep(point, self._display(volts, function))
                found = True
        return found

    def _read(self, point: TestPoint) -> bool:
        """Read a test point as the technician understands it, and keep the reading; return False without one."""
        function = self._case.dials.get(point.key) or function_of(point)
        place = self._place(point)
        if self._case.in_the_air == point.key:
            value = float("inf") if function is MeterFunction.RESISTANCE else 0.0
        else:
            read = self._bench.value(self._stages[point.key], place, function)
            if read is None:
                return False
            value = read
        display = self._display(value, function)
        self._keep(point, display)
        factor = self._case.second_meter.get(point.key)
        if factor is not None:
            self._keep(point, self._display(value * factor, function), "other meter")
        return True

    def _place(self, point: TestPoint) -> str:
        return self._case.places.get(point.key) or self._bench.unit.place(point)

    def _display(self, value: float, function: MeterFunction) -> DisplayState:
        if function is MeterFunction.RESISTANCE:
            value += self._case.leads_ohms + self._rng.uniform(0, _MOST_CONTACT_OHMS)
        return self._meter.display_for(value, function, self._now, self._rng.uniform(-NOISE, NOISE))

    def _keep(self, point: TestPoint, display: DisplayState, meter: str = "") -> None:
        self._now += _SECONDS_FOR_A_POINT
        self._count += 1
        line = parse_accuracy(METERS[self._kind][_dial(display)][1])
        observation = observe(point, _measured(display), self._count, line)
        self._observations.setdefault(point.key, []).append(
            replace(
                observation,
                meter=meter or self._meter.name,
                time=self._now,
                coupling=display.coupling,
                low_battery=display.low_battery,
            )
        )


_DIALS = {(function.quantity, function.coupling): function for function in MeterFunction}


def _dial(display: DisplayState) -> MeterFunction:
    return _DIALS[display.quantity, display.coupling]


def function_of(point: TestPoint) -> MeterFunction:
    alternating = point.quantity in {Quantity.VOLTAGE, Quantity.CURRENT}
    return _DIALS[point.quantity, point.coupling or (Coupling.AC if alternating else None)]


def _measured(display: DisplayState) -> MeasuredValue:
    if display.digits is None:
        return MeasuredValue(display.quantity, None, display.unit, Decimal(0), display.coupling)
    return MeasuredValue(
        display.quantity, display.digits, display.unit, resolution_of(display.digits), display.coupling
    )


def unusual_readings(readings: Sequence[PointReadings], numbers: frozenset[int]) -> list[str]:
    """Return the readings with these numbers, then the others that are not within their limits, as text."""
    telling = (Verdict.WITHIN, Verdict.NO_LIMITS)
    chosen = [
        (entry, reading)
        for entry in readings
        for reading in entry.readings
        if reading.number in numbers or reading.verdict not in telling or entry.readings[-1].verdict is None
    ]
    chosen.sort(key=lambda pair: pair[1].number not in numbers)
    texts = [f"{entry.point.title} {entry.terminals_text} {reading.text}" for entry, reading in chosen]
    return list(dict.fromkeys(texts))

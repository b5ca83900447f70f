"""A unit with faults put in, in the stages of a visit: the true values that a meter meets there."""

import math

from meterlink.core.readings import Coupling
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Device, Star
from meterlink_simulators.faults import Fault
from meterlink_simulators.inverter import Inverter
from meterlink_simulators.motors import Motor
from meterlink_simulators.ranges import MeterFunction
from studies.faults.cases import Case
from studies.faults.units import IDLE, ISOLATED, RUNNING, Place, Unit

# Time with power before a call, s; the time of a call before anything is read is that of the case.
_POWER_SECONDS = 5.0
# Between opening the disconnect and the first touch, s: the waiting time on the label of an inverter, and time for a
# protector to close again. Common practice, no source: five minutes and more.
_WAITING_SECONDS = 900.0
# 20 kΩ discharges 100 µF in 2 s; a technician holds it longer.
_DISCHARGE_OHMS, _DISCHARGE_SECONDS = 20e3, 30.0


class FaultyBench:
    """The benches of one case, one for each stage; true values are read once, as nothing changes within a stage."""

    def __init__(self, unit: Unit, case: Case) -> None:
        self.unit = unit
        self._case = case
        self._benches: dict[str, tuple[Bench, float]] = {}
        self._values: dict[tuple[str, str, MeterFunction], float | None] = {}

    def value(self, stage: str, place: str, function: MeterFunction) -> float | None:
        """Return the true value at a place in a stage, in the base unit; None where a meter shows none."""
        key = (stage, place, function)
        if key not in self._values:
            self._values[key] = self._read(stage, Place.parse(place), function)
        return self._values[key]

    def volts_to_ground(self, place: str, function: MeterFunction) -> float:
        """Return the highest voltage of a place in the isolated stage, V: across it, and from each end to ground."""
        ends = [f"{component}.{terminal}" for component, terminal in Place.parse(place).ends]
        places = [place, *(f"{end} - {self.unit.ground}" for end in ends if end != self.unit.ground)]
        bench, _ = self._bench(ISOLATED)
        wired = all(isinstance(bench.component(name), Star | Device) for name, _ in Place.parse(place).ends)
        values = [self.value(ISOLATED, where, function) for where in (places if wired else [])]
        return max((value for value in values if value is not None), key=abs, default=0.0)

    def standing_circuits(self) -> set[str]:
        """Return the circuits of the fans that stand still during a call while another motor turns: that is seen."""
        bench, _ = self._bench(RUNNING)
        parts = [bench.component(name) for name in bench.names]
        motors = [part for part in parts if isinstance(part, Motor)]
        fans = [motor for motor in motors if "fan" in motor.name and not motor.running]
        return {fan.circuit for fan in fans} if any(motor.running for motor in motors) else set()

    def _read(self, stage: str, place: Place, function: MeterFunction) -> float | None:
        bench, now = self._bench(stage)
        if place.is_clamp:
            return bench.clamped_amps(place.ends, now)
        names = {name for name, _ in place.ends}
        off = [name for name in names if self._has_leads_off(bench, name, stage, function)]
        for name in off:
            bench.pull_leads(name, now)
        value = bench.true_value(place.pair, function.quantity, now, function.coupling).value
        for name in off:
            bench.connect_leads(name, now)
        return value

    def _has_leads_off(self, bench: Bench, name: str, stage: str, function: MeterFunction) -> bool:
        # Wires off the part for ohms and capacitance, as every caution says; volts are read before.
        return (
            stage == ISOLATED
            and function.coupling not in {Coupling.AC, Coupling.DC}
            and isinstance(bench.component(name), Star | Device)
        )

    def _bench(self, stage: str) -> tuple[Bench, float]:
        if stage not in self._benches:
            self._benches[stage] = self._isolated() if stage == ISOLATED else self._energized(stage)
        return self._benches[stage]

    def _energized(self, stage: str) -> tuple[Bench, float]:
        bench = self.unit.bench.build()
        for fault in self._case.faults:
            bench.set_fault(fault, 0.0)
        for name, on in self._case.switches:
            bench.operate(name, 0.0, on=on)
        calls = self.unit.calls.get(stage, ())
        for name in calls:
            if name not in self._case.not_calling:
                bench.operate(name, _POWER_SECONDS, on=True)
        now = _POWER_SECONDS + (self._case.seconds if calls else 0.0)
        bench.advance(now)
        return bench, now

    def _isolated(self) -> tuple[Bench, float]:
        calls = RUNNING if RUNNING in self.unit.calls else next(iter(self.unit.calls), IDLE)
        bench, now = self._energized(calls)
        for fault in self._case.faults_while_running:
            bench.set_fault(fault, now)
        now += 1.0
        bench.advance(now)
        for name in self.unit.isolation:
            if name not in self._case.left_closed:
                bench.operate(name, now, on=False)
        now += _WAITING_SECONDS
        bench.advance(now)
        if self._case.discharges:
            capacitors = [name for name in bench.names if _is_capacitor(bench, name)]
            for name in capacitors:
                bench.connect_bleeder(name, _DISCHARGE_OHMS, now)
            now += _DISCHARGE_SECONDS
            bench.advance(now)
            for name in capacitors:
                bench.connect_bleeder(name, math.inf, now)
        return bench, now


def _is_capacitor(bench: Bench, name: str) -> bool:
    component = bench.component(name)
    return (
        isinstance(component, Star)
        and not isinstance(component, Inverter)
        and any(leg.farads is not None for leg in component.legs.values())
    )


def fault_text(fault: Fault) -> str:
    """Return a fault as it was put into the bench, in one phrase."""
    place = f"{fault.component}{f' at {fault.terminal}' if fault.terminal else ''}"
    amount = "" if fault.amount is None else f" {fault.amount:.3g}"
    return f"{place}: {fault.kind}{amount}"

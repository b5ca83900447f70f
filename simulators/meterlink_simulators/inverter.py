"""An inverter: rectifier, a DC bus that stays charged, and a three-phase output; and the motor that it drives."""

import math
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Self

from meterlink_simulators.components import Change, CircuitView, Device, Leg, NodeVolts, Reacting, Star, parallel
from meterlink_simulators.network import GROUND, Element, branch

OUTPUTS = ("U", "V", "W")
BUS = ("DC+", "DC-")
_NEUTRAL = "*O"
# Impedance, Ω, of the switches of the output, and of the bus capacitor. Common practice, no source.
_OUTPUT_OHMS = 0.05
_BUS_OHMS = 0.05
_EFFICIENCY = 0.95  # of the output stage; common practice, no source
_RUN_SECONDS = 3.0  # from power to output: the bus charges and the controller starts. Common practice, no source.
_TRIP_SECONDS = 0.1
# A phase with less than this share of the highest phase current counts as lost. Common practice, no source.
_LOST_PHASE_SHARE = 0.2
_LEAST_INPUT_SHARE = 0.7  # of the rated input voltage; below, the controller does not run. Common practice, no source.


class InverterState(StrEnum):
    """States of an inverter; a `TRIPPED` one needs its power switched off and on."""

    OFF = "off"
    RUNNING = "running"
    TRIPPED = "tripped"


@dataclass(frozen=True)
class Inverter(Device, Reacting):
    """An inverter on two input lines. Its DC bus has the terminals DC+ and DC-.

    The bus holds the peak of the input voltage, √2·U, and bleeds off through ``bleed_ohms`` once the input is gone:
    u = U·e^(−t/RC). While ``commanded`` it runs at ``output_volts`` (between two outputs) and ``output_hertz``; it
    trips above ``trip_amps`` in an output lead, or with a phase without current. ``idle_watts`` is the power of its
    controller. ``dead`` is a failed output stage; ``is_fed`` says whether the input holds the bus up.
    """

    name: str
    circuit: str
    inputs: tuple[str, str] = ("L1", "L2")
    input_volts: float = 240.0
    output_volts: float = 150.0
    output_hertz: float = 90.0
    bus_farads: float = 2e-3
    bleed_ohms: float = 30e3
    bleeder: float = math.inf
    bus_volts: float = 0.0
    is_fed: bool = False
    trip_amps: float = 30.0
    idle_watts: float = 15.0
    power_factor: float = 0.95
    commanded: bool = True
    dead: bool = False
    input_open: bool = False
    open_outputs: frozenset[str] = frozenset()
    state: InverterState = InverterState.OFF

    @property
    def terminals(self) -> tuple[str, ...]:
        """Names of the terminals: the inputs, the bus, the outputs, and the frame."""
        return (*self.inputs, *BUS, *OUTPUTS, GROUND)

    @property
    def discharge_ohms(self) -> float:
        """Resistance across the bus, Ω."""
        return parallel(self.bleed_ohms, self.bleeder)

    def passive_elements(self, hertz: float) -> list[Element]:
        """Return the discharge path of the bus; a capacitance meter sees its capacitor, too."""
        admittance = complex(1 / self.discharge_ohms, math.tau * hertz * self.bus_farads)
        return branch(*BUS, 1 / admittance if admittance else complex(math.inf))

    def elements(self, hertz: float, volts: NodeVolts | None) -> list[Element]:
        """Return the elements at ``hertz`` Hz: the charged bus at 0, else input and output."""
        if not hertz:
            return branch(*BUS, complex(_BUS_OHMS), self.bus_volts) if self.bus_volts else self.passive_elements(0.0)
        return self._input(hertz, volts) + (self._output() if hertz == self.output_hertz else [])

    def _output(self) -> list[Element]:
        if self.state is not InverterState.RUNNING:
            return []
        found: list[Element] = []
        for number, output in enumerate(OUTPUTS):
            if output not in self.open_outputs:
                angle = -math.tau * number / 3
                phasor = self.output_volts / math.sqrt(3) * complex(math.cos(angle), math.sin(angle))
                found += branch(output, _NEUTRAL, complex(_OUTPUT_OHMS), phasor)
        return found

    def _input(self, hertz: float, volts: NodeVolts | None) -> list[Element]:
        if self.input_open:
            return []
        first, second = self.inputs
        across, watts = complex(self.input_volts), self.idle_watts
        if volts is not None:
            across = volts(first, hertz) - volts(second, hertz)
            watts += self._output_watts(volts) / _EFFICIENCY
        if abs(across) < self.input_volts / 10:  # too little to run on; a floor keeps the equations regular
            across = complex(self.input_volts / 10)
        admittance = complex(watts, -watts * math.tan(math.acos(self.power_factor))) / abs(across) ** 2
        return branch(first, second, 1 / admittance)

    def _output_watts(self, volts: NodeVolts) -> float:
        total = 0.0
        for element in self._output():
            output = element.nodes[0]
            amps = -element.amps_into(output, lambda node: volts(node, self.output_hertz))
            total += (volts(output, self.output_hertz) * amps.conjugate()).real
        return max(0.0, total)

    def changes(self, view: CircuitView) -> list[Change]:
        """Return its start, stop or trip."""
        powered = self._is_powered(view)
        if not powered:
            return (
                [] if self.state is InverterState.OFF else [Change(InverterState.OFF, _TRIP_SECONDS)]
            )  # without power it forgets its trip
        if self.state is InverterState.OFF:
            return [Change(InverterState.RUNNING, _RUN_SECONDS)] if self.commanded and not self.dead else []
        if self.state is InverterState.TRIPPED:
            return []
        if not self.commanded or self.dead:
            return [Change(InverterState.OFF, _TRIP_SECONDS)]
        amps = [view.amps(self.name, output) for output in OUTPUTS]
        if max(amps) > self.trip_amps or min(amps) <= _LOST_PHASE_SHARE * max(amps):
            return [Change(InverterState.TRIPPED, _TRIP_SECONDS)]
        return []

    def become(self, state: str) -> Self:
        """Return the inverter in another `InverterState`."""
        return replace(self, state=InverterState(state))

    def _is_powered(self, view: CircuitView) -> bool:
        return not self.input_open and view.rms(self.name, *self.inputs) >= _LEAST_INPUT_SHARE * self.input_volts

    def charged(self, view: CircuitView) -> Self:
        """Return the inverter with its bus at the peak of the input voltage, √2·U, where that feeds it.

        A bus above the peak is drained to it at once while the controller runs.
        """
        peak = 0.0 if self.input_open else math.sqrt(2) * view.rms(self.name, *self.inputs)
        is_fed = self._is_powered(view) or peak > self.bus_volts
        return replace(self, is_fed=is_fed, bus_volts=peak if is_fed else self.bus_volts)

    def after(self, seconds: float, ohms: float) -> Self:
        """Return the inverter ``seconds`` s later, its bus discharged through ``ohms`` Ω: u = U·e^(−t/RC)."""
        if self.is_fed or not self.bus_volts or math.isinf(ohms):
            return self
        return replace(self, bus_volts=self.bus_volts * math.exp(-seconds / (ohms * self.bus_farads)))


@dataclass(frozen=True)
class InverterMotor(Star):
    """A motor for an inverter: three equal windings in a star, no run capacitor.

    ``load_ohms`` is the resistance, Ω for each phase, that stands for its power while it is driven.
    """

    load_ohms: float = 8.0
    shaft_locked: bool = False

    def elements(self, hertz: float, volts: NodeVolts | None) -> list[Element]:
        """Return the windings at ``hertz`` Hz, in series with the load."""
        if not hertz:
            return super().elements(hertz, volts)
        load = 0.0 if self.shaft_locked else self.load_ohms
        found: list[Element] = []
        for terminal, leg in self.legs.items():
            impedance = leg.impedance(math.tau * hertz)
            found += branch(terminal, "*", impedance + load if leg.is_winding and not leg.fault else impedance)
        return found


def inverter_motor(
    name: str,
    circuit: str,
    *,
    ohms: float,
    henries: float = 5e-3,
    load_ohms: float = 8.0,
    ground_ohms: float = math.inf,
    terminals: tuple[str, str, str] = OUTPUTS,
) -> InverterMotor:
    """Return a motor for an inverter; ``ohms`` (Ω) is between two terminals, ``henries`` (H) of one winding."""
    legs = {terminal: Leg(ohms=ohms / 2, henries=henries, is_winding=True) for terminal in terminals}
    return InverterMotor(name, circuit, {**legs, GROUND: Leg(ohms=ground_ohms)}, load_ohms=load_ohms)

"""Parts of a refrigerating unit, modelled at their terminals.

Every passive part is a *star*: each terminal reaches one common point through a `Leg`. Between two terminals of one
part there is then exactly one path, so impedances add:

- dual run capacitor: C is a plain wire, HERM and FAN are the two sections; HERM–FAN is both in series;
- motor: C (with the internal overload protector), S and R meet inside; R–S is the sum of both windings, and the GND
  leg carries the leakage to the frame;
- coil, contacts, resistor: one leg and a wire.

Parts that are wired to each other form a circuit (`meterlink_simulators.wiring`): it is solved from their `elements`,
whose nodes are terminals and, with a leading ``*``, points inside the part. A `Device` is a part of another shape.

All values are in SI units (Ω, H, F, V, A, Hz, s) and °C. Everything here is immutable; time passes by `Leg.after`.
"""

import cmath
import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal, Protocol, Self

from meterlink_simulators.network import Element, branch

# The star point of a part.
STAR_POINT = "*"
# Voltages of the nodes of a part at a frequency, as they were found last: (node, Hz) -> V against ground.
NodeVolts = Callable[[str, float], complex]

# Resistance, Ω, of a section that has broken through or a winding bridged end to end: little more than its leads.
# Common practice, no source.
SHORT_OHMS = 0.05
OPEN = complex(math.inf, 0.0)
# Frequency, Hz, at which the capacitance of a lossy part is stated: meters charge tens of µF a few times a second.
# Common practice, no source. It matters only for parts that leak badly.
CAPACITANCE_HERTZ = 10.0


def parallel(first: float, second: float) -> float:
    """Return two resistances (above 0 Ω) in parallel: 1/(1/a + 1/b) (Kirchhoff's current law); inf is an open path."""
    conductance = 1 / first + 1 / second
    return 1 / conductance if conductance else math.inf


@dataclass(frozen=True, slots=True)
class Ramp:
    """A straight line from ``start_value`` at ``begin`` s to ``end_value`` at ``end`` s; constant before and after."""

    start_value: float
    end_value: float
    begin: float
    end: float

    def value_at(self, now: float) -> float:
        """Return the value at ``now``, s."""
        if now >= self.end:
            return self.end_value
        return self.start_value + (self.end_value - self.start_value) * max(0.0, now - self.begin) / (
            self.end - self.begin
        )


@dataclass(frozen=True, slots=True)
class Leg:
    """The path from a terminal to the star point: resistance and inductance in series, then perhaps a capacitor.

    ``farads`` None means no capacitor. ``leakage`` and ``bleeder`` (Ω) lie across it; ``volts`` is its stored voltage,
    terminal against star point. ``turns_share`` is the share of a winding's turns that is not bridged, above 0 to 1.
    ``rated`` is the rating printed on the part, for information.
    """

    ohms: float = 0.0
    henries: float = 0.0
    farads: float | None = None
    leakage: float = math.inf
    bleeder: float = math.inf
    volts: float = 0.0
    is_winding: bool = False
    turns_share: float = 1.0
    fault: Literal["", "open", "shorted"] = ""
    drift: Ramp | None = None
    rated: str = ""

    @property
    def parallel_ohms(self) -> float:
        """Resistance across the capacitor, Ω: leakage and bleeder in parallel."""
        return parallel(self.leakage, self.bleeder)

    @property
    def series_ohms(self) -> float:
        """Resistance of the conductor, Ω: proportional to the turns left (wire length)."""
        return self.ohms * self.turns_share

    def impedance(self, omega: float) -> complex:
        """Return the impedance at ``omega`` rad/s, Ω; `OPEN` when there is no path.

        Series R and L, then C with its leakage across it: R + jωL + 1/(jωC + 1/R_leak) (any textbook on AC circuits).
        Inductance is proportional to the square of the turns.
        """
        if self.fault:
            return OPEN if self.fault == "open" else complex(SHORT_OHMS, 0.0)
        if math.isinf(self.ohms):
            return OPEN
        impedance = complex(self.series_ohms, omega * self.henries * self.turns_share**2)
        if self.farads is None:
            return impedance
        admittance = complex(1 / self.parallel_ohms, omega * self.farads)
        return impedance + 1 / admittance if admittance else OPEN  # no direct current through a capacitor

    def resistance(self, charged_for: float) -> float:
        """Return the resistance an ohmmeter shows ``charged_for`` s after it touched, Ω.

        Its constant current charges a discharged capacitor: u/i = R(1 − e^(−t/RC)) with R the leakage, and t/C
        without leakage (charging of an RC circuit, any textbook).
        """
        if self.fault:
            return math.inf if self.fault == "open" else SHORT_OHMS
        if self.farads is None:
            return self.series_ohms
        if math.isinf(self.parallel_ohms):
            return self.series_ohms + charged_for / self.farads
        return self.series_ohms - self.parallel_ohms * math.expm1(-charged_for / (self.parallel_ohms * self.farads))

    def after(self, seconds: float, now: float, ohms: float | None = None) -> "Leg":
        """Return this leg ``seconds`` s later, at ``now`` (s): charge bled off, drift advanced.

        ``ohms`` is the resistance across its capacitor, Ω; None: that of the leg alone. u = U·e^(−t/RC) (discharge of
        an RC circuit, any textbook).
        """
        leg = self
        ohms = leg.parallel_ohms if ohms is None else ohms
        if leg.volts and leg.farads is not None and math.isfinite(ohms):
            leg = replace(leg, volts=leg.volts * math.exp(-seconds / (ohms * leg.farads)))
        if leg.drift is not None:
            value = leg.drift.value_at(now)
            leg = replace(leg, farads=value) if leg.farads is not None else replace(leg, ohms=value)
        return leg


@dataclass(frozen=True)
class Star:
    """A passive part: its legs by terminal.

    ``fed_by`` names the supply across the `fed_terminals`. ``amps`` is the current, A, while it is on, for a part whose
    impedance does not give the current (a running motor).
    """

    name: str
    circuit: str
    legs: Mapping[str, Leg]
    fed_by: str = ""
    amps: float | None = None

    @property
    def terminals(self) -> tuple[str, ...]:
        """Names of the terminals."""
        return tuple(self.legs)

    @property
    def fed_terminals(self) -> frozenset[str]:
        """The two terminals that the supply is connected to: the first two."""
        return frozenset(self.terminals[:2])

    def impedance(self, first: str, second: str, omega: float) -> complex:
        """Return the impedance between two terminals at ``omega`` rad/s, Ω: both legs in series."""
        return self.legs[first].impedance(omega) + self.legs[second].impedance(omega)

    def resistance(self, first: str, second: str, charged_for: float) -> float:
        """Return the resistance an ohmmeter shows between two terminals, Ω, ``charged_for`` s after it touched."""
        return self.legs[first].resistance(charged_for) + self.legs[second].resistance(charged_for)

    def capacitance(self, first: str, second: str) -> float:
        """Return the capacitance between two terminals, F: 0 for an open path, inf for a path without a capacitor.

        The series equivalent −1/(ω·Im Z) at `CAPACITANCE_HERTZ`. Without leakage that is C of a section and
        1/(1/C1 + 1/C2) of two in series; a leaking section reads high by 1 + D², D = 1/(ωRC) (series and parallel
        equivalents, any textbook on AC bridges).
        """
        omega = math.tau * CAPACITANCE_HERTZ
        impedance = self.impedance(first, second, omega)
        if cmath.isinf(impedance):
            return 0.0
        return -1 / (omega * impedance.imag) if impedance.imag < 0 else math.inf

    def stored_volts(self, first: str, second: str) -> float:
        """Return the stored DC voltage between two terminals, V: 0 where a leg is open."""
        legs = self.legs[first], self.legs[second]
        return 0.0 if any(leg.fault == "open" for leg in legs) else legs[0].volts - legs[1].volts

    def passive_elements(self, hertz: float) -> list[Element]:
        """Return the elements at ``hertz`` Hz, without sources: as an ohmmeter or a capacitance meter sees the part."""
        return [
            element
            for terminal, leg in self.legs.items()
            for element in branch(terminal, STAR_POINT, leg.impedance(math.tau * hertz))
        ]

    def elements(self, hertz: float, volts: NodeVolts | None) -> list[Element]:  # noqa: ARG002  # parts that run need them
        """Return the elements at ``hertz`` Hz; at 0 Hz a charged capacitor is a source behind its series resistance.

        ``volts`` are the node voltages found last; None at first.
        """
        if hertz:
            return self.passive_elements(hertz)
        found: list[Element] = []
        for terminal, leg in self.legs.items():
            charged = leg.volts and not leg.fault
            found += branch(terminal, STAR_POINT, leg.ohms if charged else leg.impedance(0.0), leg.volts)
        return found


@dataclass(frozen=True)
class Contacts(Star):
    """One pole of a contactor, in series with its load: ``amps`` flows through it while closed.

    ``coil`` names the coil that closes it; a pole without a coil stays closed.
    """

    coil: str = ""

    def opened(self) -> "Contacts":
        """Return the pole with its contacts open."""
        return replace(self, legs={terminal: replace(leg, fault="open") for terminal, leg in self.legs.items()})


@dataclass(frozen=True)
class Supply:
    """A voltage source across two terminals: ``volts`` is RMS, ``hertz`` 0 for direct current.

    ``fed_by`` names the supply that feeds a transformer. ``on`` is its switch, ``failed`` a fault.
    """

    name: str
    circuit: str
    terminals: tuple[str, ...]
    volts: float
    hertz: float
    fed_by: str = ""
    on: bool = True
    failed: bool = False
    drift: Ramp | None = None


@dataclass(frozen=True)
class Surface:
    """A surface whose temperature, °C, approaches ``final`` from ``initial`` with a ``time_constant``, s."""

    name: str
    circuit: str
    initial: float
    final: float
    time_constant: float
    terminals: tuple[str, str] = field(default=("surface", "bead"))

    def temperature_at(self, now: float) -> float:
        """Return the temperature at ``now``, s, in °C: T = T∞ + (T0 − T∞)·e^(−t/τ) (Newton's law of cooling)."""
        return self.final + (self.initial - self.final) * math.exp(-now / self.time_constant)


class Device(ABC):
    """A part of a circuit that is no star. Its states change by events (`Reacting`)."""

    name: str
    circuit: str

    @property
    @abstractmethod
    def terminals(self) -> tuple[str, ...]:
        """Names of the terminals."""

    @abstractmethod
    def passive_elements(self, hertz: float) -> list[Element]:
        """Return the elements at ``hertz`` Hz, without sources."""

    def elements(self, hertz: float, volts: NodeVolts | None) -> list[Element]:  # noqa: ARG002  # sources need them
        """Return the elements at ``hertz`` Hz with their sources; ``volts`` as in `Star.elements`."""
        return self.passive_elements(hertz)


class CircuitView(Protocol):
    """The alternating voltages and currents of a solved circuit, as its parts see them."""

    def phasor(self, component: str, first: str, second: str) -> complex:
        """Return the voltage between two nodes of a component, V, at the frequency at which it is highest."""
        ...

    def rms(self, component: str, first: str, second: str) -> float:
        """Return the RMS voltage between two nodes of a component, V."""
        ...

    def amps(self, component: str, terminal: str) -> float:
        """Return the RMS current in the lead at a terminal, A."""
        ...

    def coil_pulls(self, coil: str, *, pulled: bool) -> bool:
        """Return whether a coil pulls its armature in, or holds it when it is ``pulled`` already."""
        ...


@dataclass(frozen=True, slots=True)
class Change:
    """A part's next ``state``: it gets there once the circuit has been as it is for ``after`` s."""

    state: str
    after: float


class Reacting(ABC):
    """A part that changes its state by the voltages and currents in the circuit."""

    @abstractmethod
    def changes(self, view: CircuitView) -> list[Change]:
        """Return the changes that the circuit as it is leads to."""

    @abstractmethod
    def become(self, state: str) -> Self:
        """Return the part in another state."""


Component = Star | Supply | Surface | Device

"""Parts of a refrigerating unit, modelled at their terminals.

Every passive part is a *star*: each terminal reaches one common point through a `Leg`. Between two terminals there is
then exactly one path, so impedances add and no network needs solving:

- dual run capacitor: C is a plain wire, HERM and FAN are the two sections; HERM–FAN is both in series;
- motor: C (with the internal overload protector), S and R meet inside; R–S is the sum of both windings, and the GND
  leg carries the leakage to the frame;
- coil, contacts, resistor: one leg and a wire.

All values are in SI units (Ω, H, F, V, A, Hz, s) and °C. Everything here is immutable; time passes by `Leg.after`.
"""

import cmath
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

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

    def after(self, seconds: float, now: float) -> "Leg":
        """Return this leg ``seconds`` s later, at ``now`` (s): charge bled off, drift advanced.

        u = U·e^(−t/RC) (discharge of an RC circuit, any textbook).
        """
        leg = self
        if leg.volts and leg.farads is not None and math.isfinite(leg.parallel_ohms):
            leg = replace(leg, volts=leg.volts * math.exp(-seconds / (leg.parallel_ohms * leg.farads)))
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
    terminals: tuple[str, str]
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


Component = Star | Supply | Surface

"""A bench: the components of a unit, their faults, and the probes clipped on them. It is pure and seeded.

``now`` is the time in s since the bench was powered; it never decreases. The bench returns *true* values between two
terminals. A meter turns them into a display (`meterlink_simulators.meter`).

Components that are wired form a circuit, which is solved (`meterlink_simulators.wiring`). The others stand alone: each
is measured with its leads pulled; its voltage and current are given by ``fed_by`` and ``amps``. For these the load of
a voltmeter on a charged capacitor, inrush, and the pick-up voltage of a contactor are not modelled.
"""

import cmath
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from random import Random

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity
from meterlink_simulators.components import STAR_POINT, Component, Contacts, Device, Leg, Star, Supply, Surface
from meterlink_simulators.faults import Fault, FaultKind, joint_ohms, with_fault
from meterlink_simulators.inverter import BUS, Inverter
from meterlink_simulators.probes import Probes, TerminalPair
from meterlink_simulators.switchgear import Switch
from meterlink_simulators.wiring import Circuit, Wire

# Stored voltage, V, above which an ohmmeter's own test voltage is swamped. Common practice, no source.
LEAST_DISTURBING_VOLTS = 0.5


@dataclass(frozen=True, slots=True)
class TrueValue:
    """The true value between two terminals.

    ``value`` is in the base unit of its quantity: inf where there is no path (resistance) or no capacitor in the
    path (capacitance), None where the quantity does not exist there. ``energized`` means that a foreign voltage spoils
    a measurement of resistance or capacitance.
    """

    value: float | None
    energized: bool = False


class Bench:
    """Components by name, with probes. ``ambient`` is the air temperature, °C; ``wires`` connect terminals.

    Raises:
        InputError: two components have one name, the supply or coil of a component is not listed before it, or a wire
            has an end that cannot be wired.
    """

    def __init__(
        self, components: Iterable[Component], seed: int = 0, ambient: float = 25.0, wires: Iterable[Wire] = ()
    ) -> None:
        self.ambient = ambient
        self._original_components: dict[str, Component] = {}
        for component in components:
            if component.name in self._original_components:
                raise InputError(f"The bench has two components named {component.name!r}.")
            if isinstance(component, Star | Supply) and component.fed_by:
                self._require(component.name, component.fed_by, Supply)
            if isinstance(component, Contacts) and component.coil:
                self._require(component.name, component.coil, Star)
            self._original_components[component.name] = component
        self._components = dict(self._original_components)
        self._circuit = Circuit(self._components, wires)
        self._probes: dict[str, Probes] = {}
        self._move_counts: dict[str, int] = {}
        self._seed = seed
        self._now = 0.0

    def _require(self, name: str, needed: str, kind: type[Supply | Star]) -> None:
        # Only earlier components: so a supply never feeds itself in a circle.
        if not isinstance(self._original_components.get(needed), kind):
            role = "supply" if kind is Supply else "coil"
            raise InputError(f"{name!r} names {needed!r}, but no {role} listed before it has that name.")

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the components, in the order they were given."""
        return tuple(self._components)

    def component(self, name: str) -> Component:
        """Return the component of that name in its present state.

        Raises:
            InputError: there is no such component.
        """
        try:
            return self._components[name]
        except KeyError:
            known = ", ".join(self._components)
            raise InputError(f"The bench has no component {name!r}.", f"It has {known}.") from None

    # Time, faults and switches

    def advance(self, now: float) -> None:
        """Let time pass until ``now``, s. An earlier time changes nothing."""
        elapsed = now - self._now
        if elapsed <= 0:
            return
        if self._circuit.is_empty:
            self._elapse(elapsed, now)
        else:
            self._circuit.advance(self._now, now, self._elapse)
        self._now = now

    def _elapse(self, elapsed: float, now: float) -> None:
        """Let every component become ``elapsed`` s older, to ``now``, s."""
        for name, component in self._components.items():
            if isinstance(component, Star):
                legs = {
                    terminal: leg.after(elapsed, now, self._discharge_ohms(name, terminal, leg))
                    for terminal, leg in component.legs.items()
                }
                if legs != component.legs:
                    self._components[name] = replace(component, legs=legs)
            elif isinstance(component, Supply) and component.drift is not None:
                self._components[name] = replace(component, volts=component.drift.value_at(now))
            elif isinstance(component, Inverter) and component.bus_volts:
                ohms = self._circuit.impedance((name, BUS[0]), (name, BUS[1]), 0.0).real
                self._components[name] = component.after(elapsed, ohms)

    def _discharge_ohms(self, name: str, terminal: str, leg: Leg) -> float | None:
        """Return the resistance across a charged capacitor in the circuit, Ω; None for the leg's own."""
        if not leg.volts or leg.farads is None or name not in self._circuit:
            return None
        return self._circuit.impedance((name, terminal), (name, STAR_POINT), 0.0).real

    def set_fault(self, fault: Fault, now: float) -> None:
        """Let a component fail at ``now``, s, or repair it: it is again as it was built.

        Raises:
            InputError: there is no such component, or it has no such fault.
        """
        self.advance(now)
        component = self.component(fault.component)
        if fault.kind is FaultKind.REPAIRED:
            self._components[fault.component] = self._original_components[fault.component]
            self._circuit.clear_joints(fault.component)
        elif fault.kind is FaultKind.BAD_CONNECTION:
            self._require_wired(fault.component)
            self._circuit.set_joint(fault.component, fault.terminal, joint_ohms(component, fault))
        else:
            self._components[fault.component] = with_fault(component, fault, now)

    def switch_supply(self, supply: str, now: float, *, on: bool) -> None:
        """Switch a supply on or off at ``now``, s.

        Raises:
            InputError: ``supply`` is not a supply.
        """
        self.advance(now)
        component = self.component(supply)
        if not isinstance(component, Supply):
            raise InputError(f"{supply!r} is not a supply: it has no switch.")
        self._components[supply] = replace(component, on=on)

    def operate(self, name: str, now: float, *, on: bool) -> None:
        """Close (``on``) or open a switch that has no coil, or start or stop an inverter, at ``now``, s.

        Raises:
            InputError: there is no such component, or nothing moves it but its coil.
        """
        self.advance(now)
        component = self.component(name)
        if isinstance(component, Switch) and not component.coil:
            self._components[name] = replace(component, closed=on)
        elif isinstance(component, Inverter):
            self._components[name] = replace(component, commanded=on)
        else:
            raise InputError(
                f"{name!r} cannot be operated: it is no switch without a coil, and no inverter.",
                "Set a fault, or the state of its coil.",
            )

    def pull_leads(self, name: str, now: float) -> None:
        """Take the leads off every terminal of a wired component at ``now``, s: it is measured alone, and does nothing.

        Raises:
            InputError: there is no such component, or it is not wired.
        """
        self._set_leads(name, now, pulled=True)

    def connect_leads(self, name: str, now: float) -> None:
        """Put the leads of a wired component on again at ``now``, s.

        Raises:
            InputError: there is no such component, or it is not wired.
        """
        self._set_leads(name, now, pulled=False)

    def _set_leads(self, name: str, now: float, *, pulled: bool) -> None:
        self.advance(now)
        self._require_wired(name)
        self._circuit.pull_leads(name, pulled=pulled)

    def _require_wired(self, name: str) -> None:
        self.component(name)
        if name not in self._circuit:
            raise InputError(f"{name!r} is not wired: it has no leads.", "Name a component with wires.")

    def connect_bleeder(self, name: str, ohms: float, now: float) -> None:
        """Put a resistor of ``ohms`` Ω across every capacitor of a component at ``now``, s; ``math.inf`` removes it.

        Raises:
            InputError: there is no such component, or it has no capacitor.
        """
        self.advance(now)
        self._components[name] = with_bleeder(self.component(name), ohms)

    # Probes

    def probes(self, meter: str) -> Probes:
        """Return the probes of ``meter``."""
        return self._probes.get(meter, Probes())

    def attach_probes(self, meter: str, terminals: TerminalPair, now: float, bounce: float = 0.0) -> None:
        """Put a meter's probes on two terminals at ``now``, s; they bounce for ``bounce`` s.

        Raises:
            InputError: there is no such component or terminal, or both terminals are the same.
        """
        self.move_probes(meter, terminals, now, 0.0, bounce)

    def lift_probes(self, meter: str, now: float) -> None:
        """Take a meter's probes off at ``now``, s."""
        self.advance(now)
        self._probes[meter] = Probes()

    def move_probes(self, meter: str, terminals: TerminalPair, now: float, travel: float, bounce: float = 0.0) -> None:
        """Move the probes to other terminals: in the air from ``now`` for ``travel`` s, then bouncing for ``bounce`` s.

        Raises:
            InputError: there is no such component or terminal, or both terminals are the same.
        """
        self.advance(now)
        self.validate_terminals(terminals)
        self._probes[meter] = Probes(terminals, now + travel).with_bounce(now, bounce, self._contact_rng(meter))

    def bounce_probes(self, meter: str, now: float, seconds: float) -> None:
        """Let the probes make and break contact from ``now`` for ``seconds`` s; lifted probes stay lifted."""
        self.advance(now)
        self._probes[meter] = self.probes(meter).with_bounce(now, seconds, self._contact_rng(meter))

    def _contact_rng(self, meter: str) -> Random:
        # Seeded by meter and move, so that two meters do not change each other's bouncing.
        self._move_counts[meter] = self._move_counts.get(meter, 0) + 1
        return Random(f"{self._seed}/{meter}/{self._move_counts[meter]}")

    def validate_terminals(self, pair: TerminalPair) -> None:
        """Check that both terminals exist and differ.

        Raises:
            InputError: there is no such component or terminal, or both terminals are the same.
        """
        first, second = _probed(pair)
        if first[0] == second[0]:
            validate_terminals(self.component(pair.component), pair)
            return
        for name, terminal in (first, second):
            _validate_terminal(self.component(name), terminal)
            if name not in self._circuit:
                raise InputError(
                    f"Nothing connects {name!r} to another component: it is not wired.", "Probe a single component."
                )

    # Truth

    def true_value(
        self,
        terminals: TerminalPair,
        quantity: Quantity,
        now: float,
        coupling: Coupling | None = None,
        charged_for: float = math.inf,
    ) -> TrueValue:
        """Return the true value between two terminals at ``now``, s.

        ``quantity`` is any but ratio and battery. ``coupling`` matters for a voltage only. ``charged_for`` is the time,
        s, that an ohmmeter has been connected; inf gives the final resistance of a capacitor.

        Raises:
            InputError: there is no such component or terminal, or both terminals are the same.
        """
        self.advance(now)
        self.validate_terminals(terminals)
        component = self.component(terminals.component)
        if quantity is Quantity.TEMPERATURE:
            return TrueValue(component.temperature_at(now) if isinstance(component, Surface) else self.ambient)
        if terminals.component in self._circuit:
            return self._wired_value(component, terminals, quantity, coupling, charged_for)
        match component:
            case Supply():
                return self._supply_value(component, quantity, coupling)
            case Star():
                return self._star_value(self._with_coil_state(component), terminals, quantity, coupling, charged_for)
            case Surface() | Device():
                return TrueValue(None)

    def _wired_value(
        self,
        component: Component,
        terminals: TerminalPair,
        quantity: Quantity,
        coupling: Coupling | None,
        charged_for: float,
    ) -> TrueValue:
        """Return a value in the circuit; ohms and farads are those of everything that is connected."""
        first, second = _probed(terminals)
        solved = self._circuit.solve()
        match quantity:
            case Quantity.VOLTAGE:
                return TrueValue(solved.meter_volts(first, second, coupling))
            case Quantity.CURRENT:
                return TrueValue(solved.amps(*first) if coupling is not Coupling.DC else None)
            case Quantity.FREQUENCY:
                return TrueValue(solved.meter_hertz(first, second))
        volts = (abs(solved.meter_volts(first, second, kind)) for kind in (Coupling.AC, Coupling.DC))
        if max(volts) > LEAST_DISTURBING_VOLTS:
            return TrueValue(None, energized=True)
        if quantity is Quantity.CAPACITANCE:
            return TrueValue(self._circuit.capacitance(first, second))
        alone = first[0] == second[0] and not self._circuit.has_leads(first[0])
        if isinstance(component, Star) and alone:
            return TrueValue(component.resistance(terminals.first, terminals.second, charged_for))
        return TrueValue(self._circuit.impedance(first, second, 0.0).real)

    def clamped_amps(self, leads: Sequence[tuple[str, str]], now: float) -> float:
        """Return the current that a clamp around several leads ``(component, terminal)`` of wired parts sees, A.

        Raises:
            InputError: there is no such component or terminal, or it is not wired.
        """
        self.advance(now)
        for name, terminal in leads:
            self._require_wired(name)
            _validate_terminal(self.component(name), terminal)
        return self._circuit.solve().clamped_amps(leads)

    def live_supply(self, supply: str) -> Supply | None:
        """Return the supply of that name if it and every supply that feeds it are on; else None."""
        component = self._components.get(supply)
        if not isinstance(component, Supply) or component.failed or not component.on:
            return None
        return component if not component.fed_by or self.live_supply(component.fed_by) else None

    def _with_coil_state(self, star: Star) -> Star:
        """Return ``star``; contacts are opened while their coil does not pull."""
        if not isinstance(star, Contacts) or not star.coil:
            return star
        coil = self._components[star.coil]
        pulls = isinstance(coil, Star) and self.live_supply(coil.fed_by) and _conducts(coil)
        return star if pulls else star.opened()

    def _supply_value(self, supply: Supply, quantity: Quantity, coupling: Coupling | None) -> TrueValue:
        on = self.live_supply(supply.name) is not None
        match quantity:
            case Quantity.VOLTAGE:
                return TrueValue(supply.volts if on and coupling is _coupling(supply) else 0.0)
            case Quantity.FREQUENCY:
                return TrueValue(supply.hertz if on and supply.hertz else None)
            case Quantity.CURRENT:
                return TrueValue(None)
            case Quantity.CAPACITANCE:
                return TrueValue(None, energized=True) if on else TrueValue(0.0)
            case _:
                return TrueValue(None, energized=True) if on else TrueValue(math.inf)  # resistance: the open switch

    def _star_value(
        self, star: Star, terminals: TerminalPair, quantity: Quantity, coupling: Coupling | None, charged_for: float
    ) -> TrueValue:
        supply = self.live_supply(star.fed_by)
        stored = star.stored_volts(terminals.first, terminals.second)
        if quantity is Quantity.VOLTAGE:
            if supply is not None and coupling is _coupling(supply):
                return TrueValue(_fed_volts(star, supply, terminals))
            return TrueValue(stored if coupling is Coupling.DC else 0.0)
        if quantity is Quantity.CURRENT:
            return TrueValue(_fed_amps(star, supply) if supply is not None else 0.0)
        if quantity is Quantity.FREQUENCY:
            return TrueValue(supply.hertz if supply is not None and supply.hertz else None)
        if supply is not None or abs(stored) > LEAST_DISTURBING_VOLTS:
            return TrueValue(None, energized=True)
        if quantity is Quantity.CAPACITANCE:
            return TrueValue(star.capacitance(terminals.first, terminals.second))
        return TrueValue(star.resistance(terminals.first, terminals.second, charged_for))


def validate_terminals(component: Component, pair: TerminalPair) -> None:
    """Check that ``component`` has both terminals, and that they differ.

    Raises:
        InputError: there is no such terminal, or both are the same.
    """
    for terminal in (pair.first, pair.second):
        _validate_terminal(component, terminal)
    if pair.first == pair.second:
        raise InputError(f"Both probes are on terminal {pair.first!r} of {pair.component!r}.", "Give two terminals.")


def _validate_terminal(component: Component, terminal: str) -> None:
    if terminal not in component.terminals:
        names = ", ".join(component.terminals)
        raise InputError(f"{component.name!r} has no terminal {terminal!r}.", f"It has {names}.")


def with_bleeder(component: Component, ohms: float) -> Star | Inverter:
    """Return ``component`` with a resistor of ``ohms`` Ω across each of its capacitors; ``math.inf`` removes it.

    Raises:
        InputError: it has no capacitor.
    """
    if isinstance(component, Inverter):
        return replace(component, bleeder=ohms)
    if not isinstance(component, Star) or all(leg.farads is None for leg in component.legs.values()):
        raise InputError(f"{component.name!r} has no capacitor to discharge.", "Name a capacitor.")
    legs = {
        terminal: leg if leg.farads is None else replace(leg, bleeder=ohms) for terminal, leg in component.legs.items()
    }
    return replace(component, legs=legs)


def _probed(pair: TerminalPair) -> tuple[tuple[str, str], tuple[str, str]]:
    """Return both terminals as ``(component, terminal)``."""
    return (pair.component, pair.first), (pair.second_component or pair.component, pair.second)


def _coupling(supply: Supply) -> Coupling:
    return Coupling.AC if supply.hertz else Coupling.DC


def _fed_impedance(star: Star, hertz: float) -> complex:
    first, second = star.terminals[:2]
    return star.impedance(first, second, math.tau * hertz)


def _conducts(star: Star) -> bool:
    return not cmath.isinf(_fed_impedance(star, 0.0))


def _fed_volts(star: Star, supply: Supply, terminals: TerminalPair) -> float | None:
    """Return the volts between the fed terminals: the supply's, or the drop I·R of closed contacts (Ohm's law)."""
    if frozenset((terminals.first, terminals.second)) != star.fed_terminals:
        return None  # the voltages that a running motor induces at its other terminals are not modelled
    if isinstance(star, Contacts) and _conducts(star):
        return (star.amps or 0.0) * abs(_fed_impedance(star, supply.hertz))
    return supply.volts


def _fed_amps(star: Star, supply: Supply) -> float | None:
    """Return the amps in the lead of the fed terminals: as given, else U/|Z| (Ohm's law for AC); 0 on an open path."""
    impedance = _fed_impedance(star, supply.hertz)
    if cmath.isinf(impedance):
        return 0.0
    if star.amps is not None or isinstance(star, Contacts):
        return star.amps
    return supply.volts / abs(impedance) if impedance else math.inf

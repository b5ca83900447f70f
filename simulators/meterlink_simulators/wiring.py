"""The wires between components, and the circuit that they form: solved once for each frequency in it.

A circuit is linear at any moment, so the voltages of several sources add up (superposition, any textbook on circuit
theory): one nodal analysis for direct current, one for the mains, one for each running inverter. Running motors
follow the voltage; their solution is found by repeating. Contacts, motors and fuses change state after a time
(`Reacting`): the circuit goes from change to change.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink_simulators.components import (
    CAPACITANCE_HERTZ,
    STAR_POINT,
    Component,
    Contacts,
    Device,
    Leg,
    NodeVolts,
    Reacting,
    Star,
)
from meterlink_simulators.inverter import Inverter, InverterState
from meterlink_simulators.mains import Mains
from meterlink_simulators.motors import Motor
from meterlink_simulators.network import GROUND, Element, Solution, branch, driving_point_impedance
from meterlink_simulators.switchgear import Coil, Switch

# Input resistance of a voltmeter, Ω. Common practice, no source: most have 10 MΩ.
VOLTMETER_OHMS = 10e6
# Least voltage, V, in which a meter finds a frequency. Common practice, no source.
_LEAST_FREQUENCY_VOLTS = 1.0
# Share of its voltage below which a capacitor is cut off from its source: leakage leaves less than that across it.
_CUT_OFF_SHARE = 0.02
# A running motor's voltages stay the same within 1e-8, far less than any display shows, after some ten rounds. One that
# cannot hold its load does not come to rest; its state tells so, and it stops.
_CONVERGED = 1e-8
_MOST_ROUNDS = 60
# Changes within one step of time after which contacts chatter without end: the rest of the step is skipped.
_MOST_CHANGES = 100


@dataclass(frozen=True, slots=True)
class Wire:
    """A wire without resistance between two terminals; both are written ``component.terminal``."""

    first: str
    second: str


WiredPart = Star | Mains | Device


class SolvedCircuit:
    """The voltages and currents of a circuit at one moment; a `CircuitView`."""

    def __init__(self, parts: Mapping[str, WiredPart], connections: "Connections") -> None:
        self._parts = parts
        self._connections = connections
        self._elements: dict[float, dict[str, list[Element]]] = {}
        self._solutions: dict[float, Solution] = {}
        frequencies = {part.hertz for part in parts.values() if isinstance(part, Mains)}
        frequencies |= {
            part.output_hertz
            for part in parts.values()
            if isinstance(part, Inverter) and part.state is InverterState.RUNNING
        }
        # Inverters' outputs first: their power loads the mains.
        self._frequencies = sorted(frequencies - {0.0}, reverse=True)
        follows = any(
            isinstance(part, Inverter) or (isinstance(part, Motor) and part.running) for part in parts.values()
        )
        for hertz in self._frequencies:
            self._solve(hertz, first=True)
        if follows:
            self._repeat()
        self._solve(0.0, first=True)

    def _solve(self, hertz: float, *, first: bool) -> None:
        elements = {
            name: part.elements(hertz, None if first else self._local_volts(name)) for name, part in self._parts.items()
        }
        self._elements[hertz] = elements
        self._solutions[hertz] = Solution(self._connections.joined(elements))

    def _local_volts(self, name: str) -> NodeVolts:
        return lambda node, hertz: self.volts(name, node, hertz)

    def _repeat(self) -> None:
        for _ in range(_MOST_ROUNDS):
            before = [self._all_volts(hertz) for hertz in self._frequencies]
            for hertz in self._frequencies:
                self._solve(hertz, first=False)
            after = [self._all_volts(hertz) for hertz in self._frequencies]
            largest = max((abs(value) for values in after for value in values), default=0.0)
            change = max(
                (
                    abs(new - old)
                    for olds, news in zip(before, after, strict=True)
                    for old, new in zip(olds, news, strict=True)
                ),
                default=0.0,
            )
            if change <= _CONVERGED * largest:
                return

    def _all_volts(self, hertz: float) -> list[complex]:
        return [
            self.volts(name, node, hertz)
            for name, elements in self._elements[hertz].items()
            for element in elements
            for node in element.nodes
        ]

    def volts(self, component: str, node: str, hertz: float) -> complex:
        """Return the voltage of a node of a component against ground, V, at ``hertz`` Hz; 0 for other frequencies."""
        solution = self._solutions.get(hertz)
        return 0j if solution is None else solution.volts(self._connections.root(component, node))

    def phasor(self, component: str, first: str, second: str) -> complex:
        """Return the voltage between two nodes of a component, V, at the frequency at which it is highest."""
        return max(
            (self.volts(component, first, hertz) - self.volts(component, second, hertz) for hertz in self._frequencies),
            key=abs,
            default=0j,
        )

    def rms(self, component: str, first: str, second: str) -> float:
        """Return the RMS of the alternating voltage between two nodes of a component, V."""
        return math.sqrt(
            sum(
                abs(self.volts(component, first, hertz) - self.volts(component, second, hertz)) ** 2
                for hertz in self._frequencies
            )
        )

    def amps(self, component: str, terminal: str) -> float:
        """Return the RMS of the alternating current in the lead at a terminal, A."""
        return math.sqrt(sum(abs(self._amps(component, terminal, hertz)) ** 2 for hertz in self._frequencies))

    def clamped_amps(self, leads: Sequence[tuple[str, str]]) -> float:
        """Return the RMS of the current that a clamp around several leads ``(component, terminal)`` sees, A.

        It sees their sum: currents that flow to a part and back from it cancel (Ampère's law).
        """
        return math.sqrt(sum(abs(sum(self._amps(*lead, hertz) for lead in leads)) ** 2 for hertz in self._frequencies))

    def _amps(self, component: str, terminal: str, hertz: float) -> complex:
        return sum(
            (
                element.amps_into(terminal, lambda node: self.volts(component, node, hertz))
                for element in self._elements[hertz][component]
            ),
            0j,
        )

    def coil_pulls(self, coil: str, *, pulled: bool) -> bool:
        """Return whether a coil pulls its armature in, or holds it when it is ``pulled`` already."""
        part = self._parts[coil]
        first, second = part.terminals
        return isinstance(part, Coil) and part.pulls(self.rms(coil, first, second), pulled=pulled)

    # Readings of meters

    def meter_volts(self, first: tuple[str, str], second: tuple[str, str], coupling: Coupling | None) -> float:
        """Return a voltmeter's reading between two terminals ``(component, terminal)``, V: RMS, or signed DC."""
        roots = self._connections.root(*first), self._connections.root(*second)
        if coupling is Coupling.DC:
            return self._solutions[0.0].loaded_volts(*roots, VOLTMETER_OHMS).real
        return math.sqrt(sum(volts**2 for volts in self._meter_volts(*roots).values()))

    def meter_hertz(self, first: tuple[str, str], second: tuple[str, str]) -> float | None:
        """Return the frequency of the highest voltage between two terminals, Hz; None where there is hardly any."""
        volts = self._meter_volts(self._connections.root(*first), self._connections.root(*second))
        hertz = max(volts, key=lambda hertz: volts[hertz], default=None)
        return hertz if hertz is not None and volts[hertz] >= _LEAST_FREQUENCY_VOLTS else None

    def _meter_volts(self, first: str, second: str) -> dict[float, float]:
        return {
            hertz: abs(self._solutions[hertz].loaded_volts(first, second, VOLTMETER_OHMS))
            for hertz in self._frequencies
        }


class Connections:
    """Which terminals are one node: by wires, unless a lead is pulled or its connection has a resistance.

    ``joints`` maps a terminal ``component.terminal`` to the resistance of its connection, Ω; inf is a lead that is off.
    """

    def __init__(
        self, parts: Mapping[str, WiredPart], wires: Iterable[Wire], pulled: frozenset[str], joints: Mapping[str, float]
    ) -> None:
        self._parents: dict[str, str] = {}
        self._joints: list[Element] = []
        for name, part in parts.items():
            for terminal in part.terminals:
                local, lug = f"{name}.{terminal}", _lug(f"{name}.{terminal}")
                if terminal == GROUND:
                    self._join(lug, GROUND)
                if name in pulled:
                    continue
                if local in joints:
                    self._joints += branch(local, lug, complex(joints[local]))
                else:
                    self._join(local, lug)
        for wire in wires:
            self._join(_lug(wire.first), _lug(wire.second))

    def _join(self, first: str, second: str) -> None:
        roots = self._root(first), self._root(second)
        if roots[0] != roots[1]:
            below, above = roots if roots[1] == GROUND else roots[::-1]
            self._parents[below] = above

    def _root(self, node: str) -> str:
        root = node
        while root in self._parents:
            root = self._parents[root]
        if root != node:
            self._parents[node] = root  # the next look is short
        return root

    def root(self, component: str, node: str) -> str:
        """Return the name of the circuit's node at a node of a component."""
        return self._root(f"{component}.{node}")

    def joined(self, elements: Mapping[str, Iterable[Element]]) -> list[Element]:
        """Return the elements of all components, on the nodes of the circuit, with the bad connections between them."""
        found = [joint.renamed(self._root) for joint in self._joints]
        for name, own in elements.items():
            found += [element.renamed(_prefix(name, self._root)) for element in own]
        return found


def _lug(terminal: str) -> str:
    # The wire's side of a connection.
    return f"{terminal}@"


def _prefix(name: str, root: Callable[[str], str]) -> Callable[[str], str]:
    return lambda node: root(f"{name}.{node}")


def check_wire_end(components: Mapping[str, Component], end: str) -> str:
    """Return the name of the component at ``end`` of a wire, ``component.terminal``.

    Raises:
        InputError: there is no such component or terminal, or the component cannot be wired.
    """
    name, _, terminal = end.rpartition(".")
    component = components.get(name)
    if component is None:
        raise InputError(
            f"A wire leads to {end!r}, but the bench has no component {name!r}.", "Write 'component.terminal'."
        )
    if not isinstance(component, Star | Mains | Device) or isinstance(component, Contacts):
        raise InputError(f"{name!r} cannot be wired.", "Wire a supply with lines, a switch, or another part.")
    if isinstance(component, Star) and component.fed_by:
        raise InputError(f"{name!r} is fed by {component.fed_by!r}: it cannot be wired, too.")
    if terminal not in component.terminals:
        names = ", ".join(component.terminals)
        raise InputError(f"A wire leads to {end!r}, which is not a terminal.", f"{name!r} has {names}.")
    return name


class Circuit:
    """The wired components of a bench. The bench owns ``components``; the circuit replaces those that change.

    Raises:
        InputError: a wire leads to a component or terminal that is not there or cannot be wired, or a switch names a
            coil that is not wired.
    """

    def __init__(self, components: dict[str, Component], wires: Iterable[Wire]) -> None:
        self._components = components
        self._wires = tuple(wires)
        names = {check_wire_end(components, end) for wire in self._wires for end in (wire.first, wire.second)}
        # Nothing else can measure on these: they stand in the circuit even without a wire.
        names |= {name for name, component in components.items() if isinstance(component, Mains | Device)}
        self._names = tuple(name for name in components if name in names)
        self._pulled: frozenset[str] = frozenset()
        self._joints: dict[str, float] = {}
        self._pending: dict[tuple[str, str], float] = {}
        self._capacitor_volts: dict[tuple[str, str], float] = {}
        self._snapshot: dict[str, WiredPart] = {}
        self._solved: SolvedCircuit | None = None
        for part in self._parts().values():
            if isinstance(part, Switch) and part.coil and not isinstance(self._parts().get(part.coil), Coil):
                raise InputError(f"{part.name!r} names {part.coil!r}, but no wired coil has that name.")

    @property
    def is_empty(self) -> bool:
        """Whether nothing is wired."""
        return not self._names

    def __contains__(self, name: str) -> bool:
        return name in self._names

    def _parts(self) -> dict[str, WiredPart]:
        found: dict[str, WiredPart] = {}
        for name in self._names:
            part = self._components[name]
            if isinstance(part, Star | Mains | Device):
                found[name] = part
        return found

    # Connections

    def pull_leads(self, name: str, *, pulled: bool) -> None:
        """Take the leads off every terminal of a component, or put them on again."""
        self._pulled = self._pulled | {name} if pulled else self._pulled - {name}
        self._solved = None

    def has_leads(self, name: str) -> bool:
        """Return whether the leads of a wired component are on."""
        return name not in self._pulled

    def set_joint(self, name: str, terminal: str, ohms: float) -> None:
        """Give the connection at a terminal a resistance, Ω; inf: the lead is off."""
        self._joints[f"{name}.{terminal}"] = ohms
        self._solved = None

    def clear_joints(self, name: str) -> None:
        """Make every connection of a component good again."""
        for key in [key for key in self._joints if key.rpartition(".")[0] == name]:
            del self._joints[key]
        self._solved = None

    def _connections(self) -> Connections:
        return Connections(self._parts(), self._wires, self._pulled, self._joints)

    # Time

    def solve(self) -> SolvedCircuit:
        """Return the circuit as it is; capacitors are charged by it."""
        parts = self._parts()
        unchanged = all(part is self._snapshot.get(name) for name, part in parts.items())
        if self._solved is None or not unchanged:
            self._snapshot, self._solved = parts, SolvedCircuit(parts, self._connections())
            if self._charge_capacitors(self._solved):
                self._snapshot = self._parts()
                self._solved = SolvedCircuit(self._snapshot, self._connections())
        return self._solved

    def _charge_capacitors(self, solved: SolvedCircuit) -> bool:
        """Charge capacitors that were just cut off; return whether any charge changed.

        Contacts break an alternating current when it is zero. That of a capacitor is zero when its voltage is highest,
        so it keeps the peak, √2·U (textbook).
        """
        before = dict(self._components)
        for name, part in self._parts().items():
            if isinstance(part, Inverter):
                charged = part.charged(solved)
                if charged != part:
                    self._components[name] = charged
            elif isinstance(part, Star) and any(leg.farads is not None for leg in part.legs.values()):
                legs = {terminal: self._charged_leg(name, terminal, leg, solved) for terminal, leg in part.legs.items()}
                if legs != part.legs:
                    self._components[name] = replace(part, legs=legs)
        return any(self._components[name] is not component for name, component in before.items())

    def _charged_leg(self, name: str, terminal: str, leg: Leg, solved: SolvedCircuit) -> Leg:
        if leg.farads is None or leg.fault:
            return leg
        volts = solved.rms(name, terminal, STAR_POINT)
        before = self._capacitor_volts.get((name, terminal), 0.0)
        self._capacitor_volts[name, terminal] = volts
        if volts > _LEAST_FREQUENCY_VOLTS:
            return replace(leg, volts=0.0) if leg.volts else leg
        if before > _LEAST_FREQUENCY_VOLTS and volts < _CUT_OFF_SHARE * before:
            return replace(leg, volts=math.sqrt(2) * before)
        return leg

    def advance(self, begin: float, end: float, elapse: Callable[[float, float], None]) -> None:
        """Let time pass from ``begin`` to ``end``, s, change by change; ``elapse(seconds, now)`` ages the parts."""
        now = begin
        for _ in range(_MOST_CHANGES):
            due, name, state = self._next_change(now)
            if due > end:
                break
            elapse(due - now, due)
            now = due
            part = self._components[name]
            if isinstance(part, Reacting):
                self._components[name] = part.become(state)
            self._pending = {key: since for key, since in self._pending.items() if key[0] != name}
        elapse(end - now, end)

    def _next_change(self, now: float) -> tuple[float, str, str]:
        """Return ``(time, component, state)`` of the next change; the time is inf where there is none."""
        solved = self.solve()
        pending: dict[tuple[str, str], float] = {}
        first = (math.inf, "", "")
        for name, part in self._parts().items():
            if not isinstance(part, Reacting):
                continue
            for change in part.changes(solved):
                since = pending[name, change.state] = self._pending.get((name, change.state), now)
                first = min(first, (max(now, since + change.after), name, change.state))
        self._pending = pending
        return first

    # Ohms and farads

    def impedance(self, first: tuple[str, str], second: tuple[str, str], hertz: float) -> complex:
        """Return the impedance between two nodes ``(component, node)``, Ω, without sources."""
        connections = self._connections()
        elements = connections.joined({name: part.passive_elements(hertz) for name, part in self._parts().items()})
        return driving_point_impedance(elements, connections.root(*first), connections.root(*second))

    def capacitance(self, first: tuple[str, str], second: tuple[str, str]) -> float:
        """Return the capacitance between two terminals, F, as in `Star.capacitance`."""
        impedance = self.impedance(first, second, CAPACITANCE_HERTZ)
        if math.isinf(impedance.real):
            return 0.0
        return -1 / (math.tau * CAPACITANCE_HERTZ * impedance.imag) if impedance.imag < 0 else math.inf

"""Coils, the contacts that they move, switches that something else moves, and fuses."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, Self

from meterlink_simulators.components import Change, CircuitView, Device, Leg, Reacting, Star
from meterlink_simulators.network import Element, branch

# A contactor must close at 85 % of its coil's rated voltage and open between 75 % and 20 % (IEC 60947-4-1, from
# memory). A sound one closes a little earlier.
_PULL_IN = 0.8
_DROP_OUT = 0.5
# Time of a contactor's armature, s. Common practice, no source.
_ARMATURE_SECONDS = 0.02
# A cartridge fuse carries 1.25 times its rating for hours, and ten times for about half a second. Common practice, no
# source.
_FUSE_HOLDS = 1.25
_FUSE_SECONDS_AT_RATING = 50.0
_CLOSED_OHMS = 0.004  # Ω, a sound contact at its rated current drops some tens of mV. Common practice, no source.


@dataclass(frozen=True)
class Coil(Star):
    """The coil of a contactor or relay: it pulls at ``pull_in`` and lets go below ``drop_out``, V."""

    rated_volts: float = 24.0
    pull_in: float = _PULL_IN * 24.0
    drop_out: float = _DROP_OUT * 24.0

    @property
    def conducts(self) -> bool:
        """Whether its winding is whole."""
        return all(leg.fault != "open" for leg in self.legs.values())

    def pulls(self, volts: float, *, pulled: bool) -> bool:
        """Return whether it pulls with ``volts`` V across it, or holds where it is ``pulled`` already."""
        return self.conducts and volts >= (self.drop_out if pulled else self.pull_in)

    def for_volts(self, rated_volts: float) -> "Coil":
        """Return a coil of the same power for another rated voltage: its impedance goes with the square, Z = U²/S."""
        scale = rated_volts / self.rated_volts
        legs = {
            terminal: replace(leg, ohms=leg.ohms * scale**2, henries=leg.henries * scale**2)
            for terminal, leg in self.legs.items()
        }
        return replace(
            self, legs=legs, rated_volts=rated_volts, pull_in=self.pull_in * scale, drop_out=self.drop_out * scale
        )


def coil(
    name: str,
    circuit: str,
    terminals: tuple[str, str],
    ohms: float,
    *,
    henries: float = 0.0,
    rated_volts: float = 24.0,
    pull_in: float | None = None,
    drop_out: float | None = None,
) -> Coil:
    """Return a coil of ``ohms`` Ω and ``henries`` H; without thresholds (V) it pulls at 80 % and lets go at 50 %.

    A potential relay has a high ``pull_in`` and normally closed contacts.
    """
    return Coil(
        name,
        circuit,
        {terminals[0]: Leg(ohms=ohms, henries=henries, is_winding=True), terminals[1]: Leg()},
        rated_volts=rated_volts,
        pull_in=_PULL_IN * rated_volts if pull_in is None else pull_in,
        drop_out=_DROP_OUT * rated_volts if drop_out is None else drop_out,
    )


@dataclass(frozen=True, slots=True)
class Pole:
    """One pole: between the terminals ``first`` and ``second``, of ``ohms`` Ω while closed.

    A pole with ``is_bar`` is a bar without contacts, as in a single-pole contactor.
    """

    first: str
    second: str
    ohms: float = _CLOSED_OHMS
    is_bar: bool = False
    fault: Literal["", "open", "welded"] = ""


@dataclass(frozen=True)
class Switch(Device, Reacting):
    """Poles that a ``coil`` moves ``seconds`` after it pulls or lets go; without a coil, something else moves them.

    ``closed`` is their present position. ``rests_closed`` is their position while the coil does not pull. A sequencer
    is a switch whose coil is a heater, with many ``seconds``; a pressure control, float switch or thermostat is one
    without a coil, moved by `Bench.operate`.
    """

    name: str
    circuit: str
    poles: tuple[Pole, ...]
    coil: str = ""
    closed: bool = False
    rests_closed: bool = False
    seconds: float = _ARMATURE_SECONDS

    @property
    def terminals(self) -> tuple[str, ...]:
        """Names of the terminals, pole by pole."""
        return tuple(terminal for pole in self.poles for terminal in (pole.first, pole.second))

    def passive_elements(self, hertz: float) -> list[Element]:  # noqa: ARG002  # contacts are resistances
        """Return a resistance for each closed pole."""
        found: list[Element] = []
        for pole in self.poles:
            if pole.fault != "open" and (pole.is_bar or pole.fault == "welded" or self.closed):
                found += branch(pole.first, pole.second, complex(pole.ohms))
        return found

    def changes(self, view: CircuitView) -> list[Change]:
        """Return the move that the coil asks for."""
        if not self.coil:
            return []
        pulled = self.closed != self.rests_closed
        if view.coil_pulls(self.coil, pulled=pulled) == pulled:
            return []
        return [Change("open" if self.closed else "closed", self.seconds)]

    def become(self, state: str) -> Self:
        """Return the switch with its poles "open" or "closed"."""
        return replace(self, closed=state == "closed")


def contactor(
    name: str,
    circuit: str,
    poles: Mapping[str, str],
    coil: str,
    *,
    ohms: float = _CLOSED_OHMS,
    bars: Mapping[str, str] | None = None,
) -> Switch:
    """Return an open contactor: ``poles`` and ``bars`` map the terminals of the line side to those of the load side."""
    return Switch(
        name,
        circuit,
        (
            *(Pole(first, second, ohms) for first, second in poles.items()),
            *(Pole(first, second, ohms, is_bar=True) for first, second in (bars or {}).items()),
        ),
        coil,
    )


@dataclass(frozen=True)
class Fuse(Star, Reacting):
    """A fuse rated for ``rating`` A. It blows after a time that goes with 1/I² (constant I²t)."""

    rating: float = 5.0

    def changes(self, view: CircuitView) -> list[Change]:
        """Return "blown" where its current is too high."""
        amps = view.amps(self.name, self.terminals[0])
        if amps <= _FUSE_HOLDS * self.rating:
            return []
        return [Change("blown", _FUSE_SECONDS_AT_RATING * (self.rating / amps) ** 2)]

    def become(self, state: str) -> Self:
        """Return the fuse: open once it is "blown"."""
        legs = {terminal: replace(leg, fault="open") for terminal, leg in self.legs.items()}
        return replace(self, legs=legs) if state == "blown" else self


def fuse(name: str, circuit: str, terminals: tuple[str, str], rating: float, *, ohms: float = 0.01) -> Fuse:
    """Return a sound fuse for ``rating`` A with ``ohms`` Ω."""
    return Fuse(name, circuit, {terminals[0]: Leg(ohms=ohms), terminals[1]: Leg()}, rating=rating)

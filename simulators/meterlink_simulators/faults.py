"""What goes wrong with a component, as data a scenario can set at any moment."""

import math
from dataclasses import dataclass, replace
from enum import StrEnum

from meterlink.core.errors import InputError
from meterlink_simulators.components import Component, Leg, Ramp, Star, Supply

GROUND = "GND"


class FaultKind(StrEnum):
    """Ways to fail; what each needs is in `with_fault`."""

    DRIFT = "drift"
    OPEN = "open"
    SHORTED = "shorted"
    LEAKAGE = "leakage"
    TURNS = "shorted turns"
    GROUNDED = "grounded"
    LOST = "lost"
    MENDED = "mended"


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault of one component.

    ``part`` is the terminal of the leg that fails; it may be empty where only one leg can. ``amount`` is the new
    value of a drift (F, Ω or V), the leakage or the path to ground (Ω), or the share of turns left; ``over`` is the
    time a drift takes, s.
    """

    component: str
    kind: FaultKind
    part: str = ""
    amount: float | None = None
    over: float = 0.0


def with_fault(component: Component, fault: Fault, now: float) -> Component:
    """Return ``component`` as ``fault`` leaves it from ``now`` (s) on; InputError when it cannot fail in that way.

    ``mended`` is not for one component alone to know: the bench puts back what it was built with.
    """
    if isinstance(component, Supply):
        return _supply_with(component, fault, now)
    if not isinstance(component, Star):
        raise _cannot(fault, "only wired parts and supplies have faults")
    part, leg = _leg(component, fault)
    return replace(component, legs={**component.legs, part: _leg_with(leg, fault, now)})


def _cannot(fault: Fault, why: str) -> InputError:
    return InputError(f"{fault.component!r} cannot have the fault '{fault.kind}': {why}.")


def _amount(fault: Fault, *, least: float = 0.0, most: float = math.inf) -> float:
    if fault.amount is None or not least < fault.amount <= most:
        bounds = f"above {least:g}" if math.isinf(most) else f"above {least:g}, up to {most:g}"
        raise _cannot(fault, f"it needs an amount {bounds}")
    return fault.amount


def _supply_with(supply: Supply, fault: Fault, now: float) -> Supply:
    match fault.kind:
        case FaultKind.LOST:
            return replace(supply, lost=True)
        case FaultKind.DRIFT:
            drift = Ramp(supply.volts, _amount(fault), now, now + fault.over)
            return replace(supply, volts=drift.at(now), drift=drift)
        case _:
            raise _cannot(fault, "a supply can be lost or drift")


def _leg(star: Star, fault: Fault) -> tuple[str, Leg]:
    """Return the leg the fault is about, with its terminal."""
    if fault.kind is FaultKind.GROUNDED:
        if GROUND not in star.legs:
            raise _cannot(fault, f"it has no terminal {GROUND}")
        return GROUND, star.legs[GROUND]
    if fault.part:
        if fault.part not in star.legs:
            raise _cannot(fault, f"it has no terminal {fault.part!r} (it has {', '.join(star.legs)})")
        return fault.part, star.legs[fault.part]
    real = [(name, leg) for name, leg in star.legs.items() if name != GROUND and leg != Leg()]
    if len(real) != 1:
        raise _cannot(fault, f"it has several legs ({', '.join(star.legs)}) and 'part' does not say which")
    return real[0]


def _leg_with(leg: Leg, fault: Fault, now: float) -> Leg:
    match fault.kind:
        case FaultKind.OPEN:
            return replace(leg, broken="open")
        case FaultKind.SHORTED:
            return replace(leg, broken="shorted", volts=0.0)
        case FaultKind.LEAKAGE if leg.farads is not None:
            return replace(leg, leakage=_amount(fault))
        case FaultKind.TURNS if leg.wound:
            return replace(leg, turns=_amount(fault, most=1.0))
        case FaultKind.GROUNDED:
            return replace(leg, ohms=_amount(fault))
        case FaultKind.DRIFT if leg.farads is not None or (leg.ohms and math.isfinite(leg.ohms)):
            value = leg.ohms if leg.farads is None else leg.farads
            return replace(leg, drift=Ramp(value, _amount(fault), now, now + fault.over)).after(0.0, now)
        case _:
            raise _cannot(fault, f"nothing at {fault.part or 'it'} can fail so")

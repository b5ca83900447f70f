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
    SHORTED_TURNS = "shorted turns"
    GROUNDED = "grounded"
    SUPPLY_LOST = "lost"
    REPAIRED = "mended"


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault of one component.

    ``part`` is the terminal of the leg that fails; it may be empty where only one leg can. ``amount`` is the new
    value of a drift (F, Ω or V), the leakage or the path to ground (Ω), or the share of turns left; ``over`` is the
    time a drift takes, s.
    """

    component: str
    kind: FaultKind
    terminal: str = ""
    amount: float | None = None
    duration: float = 0.0


def with_fault(component: Component, fault: Fault, now: float) -> Component:
    """Return ``component`` as ``fault`` leaves it from ``now`` (s) on; InputError when it cannot fail in that way.

    ``mended`` is not for one component alone to know: the bench puts back what it was built with.
    """
    if isinstance(component, Supply):
        return _supply_with(component, fault, now)
    if not isinstance(component, Star):
        raise _fault_error(fault, "only wired parts and supplies have faults")
    part, leg = _faulty_leg(component, fault)
    return replace(component, legs={**component.legs, part: _leg_with(leg, fault, now)})


def _fault_error(fault: Fault, why: str) -> InputError:
    return InputError(f"{fault.component!r} cannot have the fault '{fault.kind}': {why}.")


def _amount(fault: Fault, *, least: float = 0.0, most: float = math.inf) -> float:
    if fault.amount is None or not least < fault.amount <= most:
        bounds = f"above {least:g}" if math.isinf(most) else f"above {least:g}, up to {most:g}"
        raise _fault_error(fault, f"it needs an amount {bounds}")
    return fault.amount


def _supply_with(supply: Supply, fault: Fault, now: float) -> Supply:
    match fault.kind:
        case FaultKind.SUPPLY_LOST:
            return replace(supply, failed=True)
        case FaultKind.DRIFT:
            drift = Ramp(supply.volts, _amount(fault), now, now + fault.duration)
            return replace(supply, volts=drift.value_at(now), drift=drift)
        case _:
            raise _fault_error(fault, "a supply can be lost or drift")


def _faulty_leg(star: Star, fault: Fault) -> tuple[str, Leg]:
    """Return the leg the fault is about, with its terminal."""
    if fault.kind is FaultKind.GROUNDED:
        if GROUND not in star.legs:
            raise _fault_error(fault, f"it has no terminal {GROUND}")
        return GROUND, star.legs[GROUND]
    if fault.terminal:
        if fault.terminal not in star.legs:
            raise _fault_error(fault, f"it has no terminal {fault.terminal!r} (it has {', '.join(star.legs)})")
        return fault.terminal, star.legs[fault.terminal]
    real = [(name, leg) for name, leg in star.legs.items() if name != GROUND and leg != Leg()]
    if len(real) != 1:
        raise _fault_error(fault, f"it has several legs ({', '.join(star.legs)}) and 'part' does not say which")
    return real[0]


def _leg_with(leg: Leg, fault: Fault, now: float) -> Leg:
    match fault.kind:
        case FaultKind.OPEN:
            return replace(leg, fault="open")
        case FaultKind.SHORTED:
            return replace(leg, fault="shorted", volts=0.0)
        case FaultKind.LEAKAGE if leg.farads is not None:
            return replace(leg, leakage=_amount(fault))
        case FaultKind.SHORTED_TURNS if leg.is_winding:
            return replace(leg, turns_share=_amount(fault, most=1.0))
        case FaultKind.GROUNDED:
            return replace(leg, ohms=_amount(fault))
        case FaultKind.DRIFT if leg.farads is not None or (leg.ohms and math.isfinite(leg.ohms)):
            value = leg.ohms if leg.farads is None else leg.farads
            return replace(leg, drift=Ramp(value, _amount(fault), now, now + fault.duration)).after(0.0, now)
        case _:
            raise _fault_error(fault, f"nothing at {fault.terminal or 'it'} can fail so")

"""Faults of components, as data that a scenario can set at any moment."""

import math
from dataclasses import dataclass, replace
from enum import StrEnum

from meterlink.core.errors import InputError
from meterlink_simulators.components import Component, Leg, Ramp, Star, Supply

GROUND = "GND"


class FaultKind(StrEnum):
    """Kinds of fault. `with_fault` checks the fields that each needs."""

    DRIFT = "drift"
    OPEN = "open"
    SHORTED = "shorted"
    LEAKAGE = "leakage"
    SHORTED_TURNS = "shorted turns"
    GROUNDED = "grounded"
    SUPPLY_LOST = "supply lost"
    REPAIRED = "repaired"


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault of one component.

    ``terminal`` names the leg that fails; it may be empty where only one leg can. ``amount`` is the new value of a
    drift (F, Ω or V), the leakage or the path to ground (Ω), or the share of turns left (above 0 to 1). ``duration`` is
    the time a drift lasts, s.
    """

    component: str
    kind: FaultKind
    terminal: str = ""
    amount: float | None = None
    duration: float = 0.0


def with_fault(component: Component, fault: Fault, now: float) -> Component:
    """Return ``component`` with ``fault`` from ``now`` (s) on.

    ``repaired`` is not handled here: the bench restores the component that it was built with.

    Raises:
        InputError: the component has no such fault, or the fault lacks a field.
    """
    if isinstance(component, Supply):
        return _supply_with(component, fault, now)
    if not isinstance(component, Star):
        raise InputError(_message(fault, "only wired parts and supplies have faults"))
    part, leg = _faulty_leg(component, fault)
    return replace(component, legs={**component.legs, part: _leg_with(leg, fault, now)})


def _message(fault: Fault, reason: str) -> str:
    return f"{fault.component!r} cannot have the fault '{fault.kind}': {reason}."


def _amount(fault: Fault, *, least: float = 0.0, most: float = math.inf) -> float:
    if fault.amount is None or not least < fault.amount <= most:
        bounds = f"above {least:g}" if math.isinf(most) else f"above {least:g}, up to {most:g}"
        raise InputError(_message(fault, f"it needs an amount {bounds}"))
    return fault.amount


def _supply_with(supply: Supply, fault: Fault, now: float) -> Supply:
    match fault.kind:
        case FaultKind.SUPPLY_LOST:
            return replace(supply, failed=True)
        case FaultKind.DRIFT:
            drift = Ramp(supply.volts, _amount(fault), now, now + fault.duration)
            return replace(supply, volts=drift.value_at(now), drift=drift)
        case _:
            raise InputError(_message(fault, "a supply is lost or drifts"))


def _faulty_leg(star: Star, fault: Fault) -> tuple[str, Leg]:
    """Return ``(terminal, leg)`` of the leg that fails.

    Raises:
        InputError: there is no such leg, or several.
    """
    if fault.kind is FaultKind.GROUNDED:
        if GROUND not in star.legs:
            raise InputError(_message(fault, f"it has no terminal {GROUND}"))
        return GROUND, star.legs[GROUND]
    if fault.terminal:
        if fault.terminal not in star.legs:
            raise InputError(_message(fault, f"it has no terminal {fault.terminal!r} (it has {', '.join(star.legs)})"))
        return fault.terminal, star.legs[fault.terminal]
    candidates = [(name, leg) for name, leg in star.legs.items() if name != GROUND and leg != Leg()]
    if len(candidates) != 1:
        raise InputError(_message(fault, f"it has several legs ({', '.join(star.legs)}): set 'terminal'"))
    return candidates[0]


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
            raise InputError(_message(fault, f"no part at {fault.terminal or 'its terminals'} can fail this way"))

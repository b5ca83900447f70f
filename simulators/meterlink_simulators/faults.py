"""Faults of components, as data that a scenario can set at any moment."""

import math
from dataclasses import dataclass, replace
from enum import StrEnum

from meterlink.core.errors import InputError
from meterlink_simulators import network
from meterlink_simulators.components import Component, Leg, Ramp, Star, Supply
from meterlink_simulators.inverter import OUTPUTS, Inverter, InverterMotor
from meterlink_simulators.mains import Mains, with_open_line
from meterlink_simulators.motors import Motor, MotorState
from meterlink_simulators.switchgear import Coil, Pole, Switch
from meterlink_simulators.transformer import Transformer, exchanged_taps

GROUND = network.GROUND


class FaultKind(StrEnum):
    """Kinds of fault. `with_fault` checks the fields that each needs."""

    DRIFT = "drift"
    OPEN = "open"
    SHORTED = "shorted"
    LEAKAGE = "leakage"
    SHORTED_TURNS = "shorted turns"
    GROUNDED = "grounded"
    SUPPLY_LOST = "supply lost"
    PARTLY_OPEN = "partly open"
    BAD_CONNECTION = "bad connection"
    WELDED = "welded"
    PHASES_EXCHANGED = "phases exchanged"
    ROTOR_LOCKED = "rotor locked"
    PROTECTOR_OPEN = "protector open"
    WRONG_TAP = "wrong tap"
    WRONG_COIL = "wrong coil"
    BLEED_OPEN = "bleed resistor open"
    NO_OUTPUT = "no output"
    REPAIRED = "repaired"


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault of one component.

    ``terminal`` names the place that fails: a leg, a supply's line, a pole by either of its terminals, a side of a
    transformer, an output. It may be empty where only one place can. ``amount`` is the new value of a drift (F, Ω or V;
    of a pole's closed contacts, Ω; of one line of a supply, V), the leakage or the path to ground (Ω), the share of
    turns left (above 0 to 1), the share of a heater's parallel wires left (above 0 to 1), the resistance of a bad
    connection (Ω; inf is a lead that is off), or the rated voltage of a wrong coil (V). ``duration`` is the time a
    drift lasts, s.
    """

    component: str
    kind: FaultKind
    terminal: str = ""
    amount: float | None = None
    duration: float = 0.0


def with_fault(component: Component, fault: Fault, now: float) -> Component:
    """Return ``component`` with ``fault`` from ``now`` (s) on.

    ``repaired`` is not handled here: the bench restores the component that it was built with. A bad connection is only
    checked: it belongs to the bench, and the component stays as it is.

    Raises:
        InputError: the component has no such fault, or the fault lacks a field.
    """
    if fault.kind is FaultKind.BAD_CONNECTION:
        joint_ohms(component, fault)
        return component
    match component:
        case Mains():
            return _mains_with(component, fault, now)
        case Supply():
            return _supply_with(component, fault, now)
        case Switch():
            return _switch_with(component, fault)
        case Transformer():
            return _transformer_with(component, fault)
        case Inverter():
            return _inverter_with(component, fault)
        case Star():
            return _star_with(component, fault, now)
        case _:
            raise InputError(_message(fault, "only wired parts and supplies have faults"))


def joint_ohms(component: Component, fault: Fault) -> float:
    """Return the resistance, Ω, of a bad connection at a terminal of ``component``.

    Raises:
        InputError: the component has no such terminal, or the fault lacks its amount.
    """
    if fault.terminal not in component.terminals:
        raise InputError(_message(fault, f"set 'terminal' to one of {', '.join(component.terminals)}"))
    return _amount(fault)


def _message(fault: Fault, reason: str) -> str:
    return f"{fault.component!r} cannot have the fault '{fault.kind}': {reason}."


def _amount(fault: Fault, *, least: float = 0.0, most: float = math.inf) -> float:
    if fault.amount is None or not least < fault.amount <= most:
        bounds = f"above {least:g}" if math.isinf(most) else f"above {least:g}, up to {most:g}"
        raise InputError(_message(fault, f"it needs an amount {bounds}"))
    return fault.amount


def _at_once(fault: Fault) -> None:
    if fault.duration:
        raise InputError(_message(fault, "this change comes at once, without a duration"))


def _mains_with(supply: Mains, fault: Fault, now: float) -> Supply:
    match fault.kind:
        case FaultKind.OPEN:
            return with_open_line(supply, fault.terminal)
        case FaultKind.PHASES_EXCHANGED:
            return replace(supply, reversed_order=not supply.reversed_order)
        case FaultKind.DRIFT if fault.terminal:
            _at_once(fault)
            if fault.terminal not in supply.terminals or fault.terminal in {"N", GROUND}:
                raise InputError(_message(fault, f"it has no line {fault.terminal!r}"))
            share = _amount(fault) / supply.volts
            return replace(supply, shares={**supply.shares, fault.terminal: share})
        case _:
            return _supply_with(supply, fault, now)


def _switch_with(switch: Switch, fault: Fault) -> Switch:
    # A bar has no contacts: it fails only where it is named.
    failing = [
        pole
        for pole in switch.poles
        if fault.terminal in (pole.first, pole.second) or (not fault.terminal and not pole.is_bar)
    ]
    if not failing:
        raise InputError(
            _message(fault, f"it has no terminal {fault.terminal!r} (it has {', '.join(switch.terminals)})")
        )

    def failed(pole: Pole) -> Pole:
        match fault.kind:
            case FaultKind.OPEN:
                return replace(pole, fault="open")
            case FaultKind.WELDED if not pole.is_bar:
                return replace(pole, fault="welded")
            case FaultKind.DRIFT:
                _at_once(fault)
                return replace(pole, ohms=_amount(fault))
            case _:
                raise InputError(_message(fault, "contacts open, weld or drift"))

    return replace(switch, poles=tuple(failed(pole) if pole in failing else pole for pole in switch.poles))


def _transformer_with(transformer: Transformer, fault: Fault) -> Transformer:
    match fault.kind:
        case FaultKind.OPEN if fault.terminal in (*transformer.taps, transformer.common):
            return replace(transformer, primary_open=True)
        case FaultKind.OPEN if fault.terminal in transformer.secondary:
            return replace(transformer, secondary_open=True)
        case FaultKind.WRONG_TAP if fault.terminal in transformer.taps and len(transformer.taps) == 2:
            return replace(transformer, taps=exchanged_taps(transformer, *transformer.taps))
        case _:
            raise InputError(
                _message(fault, "a winding opens at one of its terminals, or the leads of two taps change")
            )


def _inverter_with(inverter: Inverter, fault: Fault) -> Inverter:
    match fault.kind:
        case FaultKind.OPEN if fault.terminal in OUTPUTS:
            return replace(inverter, open_outputs=inverter.open_outputs | {fault.terminal})
        case FaultKind.OPEN if fault.terminal in inverter.inputs:
            return replace(inverter, input_open=True)
        case FaultKind.BLEED_OPEN:
            return replace(inverter, bleed_ohms=math.inf)
        case FaultKind.NO_OUTPUT:
            return replace(inverter, dead=True)
        case _:
            raise InputError(_message(fault, "an input or output opens, its bleed resistor opens, or it has no output"))


def _star_with(star: Star, fault: Fault, now: float) -> Star:
    match fault.kind:
        case FaultKind.ROTOR_LOCKED if isinstance(star, Motor):
            return replace(star, rotor_locked=True, state=MotorState.STOPPED)
        case FaultKind.ROTOR_LOCKED if isinstance(star, InverterMotor):
            return replace(star, shaft_locked=True)
        case FaultKind.PROTECTOR_OPEN if isinstance(star, Motor):
            return replace(star, protector_open=True)
        case FaultKind.WRONG_COIL if isinstance(star, Coil):
            return star.for_volts(_amount(fault))
        case FaultKind.GROUNDED if fault.terminal and isinstance(star, Motor):
            if fault.terminal not in star.legs or fault.terminal == GROUND:
                raise InputError(_message(fault, f"it has no winding at {fault.terminal!r}"))
            grounded = replace(star.legs[GROUND], ohms=_amount(fault))
            return replace(star, legs={**star.legs, GROUND: grounded}, grounded_at=fault.terminal)
        case _:
            part, leg = _faulty_leg(star, fault)
            return replace(star, legs={**star.legs, part: _leg_with(leg, fault, now)})


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
        case FaultKind.PARTLY_OPEN if leg.farads is None and leg.ohms and math.isfinite(leg.ohms):
            return replace(leg, ohms=leg.ohms / _amount(fault, most=1.0))
        case FaultKind.DRIFT if leg.farads is not None or (leg.ohms and math.isfinite(leg.ohms)):
            value = leg.ohms if leg.farads is None else leg.farads
            return replace(leg, drift=Ramp(value, _amount(fault), now, now + fault.duration)).after(0.0, now)
        case _:
            raise InputError(_message(fault, f"no part at {fault.terminal or 'its terminals'} can fail this way"))

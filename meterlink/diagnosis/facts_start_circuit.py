"""Facts about the start circuit of a motor: start capacitor, potential relay, bleed resistor."""

from decimal import Decimal

from meterlink.core.units import Amount, Quantity, to_base
from meterlink.core.verdicts import Verdict
from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, fact, make_evidence, make_positive_evidence
from meterlink.diagnosis.facts_readings import describe_point, earlier_reading_agrees, readings_differ
from meterlink.diagnosis.observations import PointReadings
from meterlink.diagnosis.start_circuits import StartCircuit
from meterlink.judge.judging import format_decimal

# Closed contacts of a relay, read with leads that are not zeroed. Common practice, no source.
_MOST_CLOSED_OHMS = Amount(Decimal(1), "Ω")
# A rotor that stands draws four to six times the rated amps; twice the limit is far from both. Common practice, no
# source.
_STANDING_SHARE = 2


def _overload(point_readings: PointReadings | None) -> Evidence:
    if point_readings is None or point_readings.latest is None:
        return UNKNOWN
    latest = point_readings.latest
    text = f"{describe_point(point_readings)} reads overload on ohms: nothing conducts there."
    return make_evidence(latest.measured.digits is None, text, latest)


def _conducts(point_readings: PointReadings | None) -> Evidence:
    if point_readings is None or point_readings.latest is None:
        return UNKNOWN
    latest = point_readings.latest
    return make_evidence(
        latest.measured.digits is not None, f"{describe_point(point_readings)} reads {latest.text}.", latest
    )


@fact(StartCircuit, "its relay contacts read overload at rest")
def _contacts_open(start: StartCircuit) -> Evidence:
    """The newest reading across the contacts of the potential relay, 1–2, is an overload."""
    return _overload(start.contacts)


@fact(StartCircuit, "its relay contacts read more than closed contacts do")
def _contacts_burnt(start: StartCircuit) -> Evidence:
    """The newest reading across the contacts, 1–2, is above its high limit, else above 1 Ω, and no overload."""
    contacts = start.contacts
    if contacts is None or contacts.latest is None:
        return UNKNOWN
    latest, limits = contacts.latest, contacts.limits
    if latest.measured.digits is None:
        return DOES_NOT_HOLD
    high = _MOST_CLOSED_OHMS if limits is None or limits.high is None else Amount(limits.high, limits.unit)
    most = f"{format_decimal(high.digits)} {high.unit}"
    text = f"{describe_point(contacts)} reads {latest.text}; closed contacts read {most} at most."
    return make_evidence(to_base(latest.measured.digits, latest.measured.unit) > high.base_value, text, latest)


@fact(StartCircuit, "its relay coil conducts")
def _coil_conducts(start: StartCircuit) -> Evidence:
    """The newest reading across the coil of the relay, 5–2, is a value."""
    return _conducts(start.coil)


@fact(StartCircuit, "its relay coil reads overload")
def _coil_open(start: StartCircuit) -> Evidence:
    """The newest reading across the coil of the relay, 5–2, is an overload."""
    return _overload(start.coil)


@fact(StartCircuit, "an earlier reading of its relay contacts agrees")
def _contacts_agree(start: StartCircuit) -> Evidence:
    """An earlier reading across the contacts agrees with the newest; two overloads agree."""
    return earlier_reading_agrees(start.contacts) if start.contacts else UNKNOWN


@fact(StartCircuit, "readings of its relay contacts differ")
def _contacts_differ(start: StartCircuit) -> Evidence:
    """Two readings across the contacts differ by more than the meter's repeatability, or one is an overload."""
    return readings_differ(start.contacts) if start.contacts else UNKNOWN


@fact(StartCircuit, "its bleed resistor reads overload")
def _bleed_open(start: StartCircuit) -> Evidence:
    """The newest reading of the bleed resistor is an overload."""
    return _overload(start.bleed_resistor)


@fact(StartCircuit, "an earlier reading of its bleed resistor agrees")
def _bleed_agrees(start: StartCircuit) -> Evidence:
    """An earlier reading of the bleed resistor agrees with the newest; two overloads agree."""
    return earlier_reading_agrees(start.bleed_resistor) if start.bleed_resistor else UNKNOWN


@fact(StartCircuit, "a charge was read on its start capacitor")
def _charge_read(start: StartCircuit) -> Evidence:
    """A voltage was read across the start capacitor while it should be discharged."""
    charge = start.charge
    if charge is None:
        return UNKNOWN
    return make_positive_evidence(f"The start capacitor still had {charge.text}.", charge)


@fact(StartCircuit, "current flows in its start capacitor")
def _capacitor_carries(start: StartCircuit) -> Evidence:
    """The newest current in the start capacitor's lead is above the meter's error."""
    return _capacitor_current(start, flows=True)


@fact(StartCircuit, "no current flows in its start capacitor")
def _capacitor_carries_none(start: StartCircuit) -> Evidence:
    """The newest current in the start capacitor's lead is not above the meter's error."""
    return _capacitor_current(start, flows=False)


def _capacitor_current(start: StartCircuit, *, flows: bool) -> Evidence:
    amps = start.capacitor_amps
    if amps is None or amps.latest is None or amps.latest.estimate is None:
        return UNKNOWN
    estimate = amps.latest.estimate
    text = (
        f"{describe_point(amps)} reads {amps.latest.text}; a start capacitor carries current only while the motor"
        " starts."
    )
    return make_evidence((estimate.value > estimate.expanded_uncertainty) is flows, text, amps.latest)


@fact(StartCircuit, "its motor draws the amps of a standing rotor")
def _rotor_stands(start: StartCircuit) -> Evidence:
    """The newest amps of the motor are more than twice its high limit (the nameplate's amps)."""
    return _motor_current(start, standing=True)


@fact(StartCircuit, "its motor runs")
def _motor_runs(start: StartCircuit) -> Evidence:
    """The newest amps of the motor show a current of at most twice its high limit (the nameplate's amps)."""
    return _motor_current(start, standing=False)


def _motor_current(start: StartCircuit, *, standing: bool) -> Evidence:
    amps = start.motor_amps
    latest, limits = (amps.latest, amps.limits) if amps else (None, None)
    if amps is None or latest is None or latest.estimate is None or limits is None or limits.high is None:
        return UNKNOWN
    if latest.verdict is Verdict.NOTHING_FLOWS or latest.measured.quantity is not Quantity.CURRENT:
        return DOES_NOT_HOLD
    stands = latest.estimate.value > _STANDING_SHARE * float(to_base(limits.high, limits.unit))
    compared = "far above" if stands else "not far from"
    text = f"{describe_point(amps)} reads {latest.text}, {compared} its limit ({limits.basis})."
    return make_evidence(stands is standing, text, latest)

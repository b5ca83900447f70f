"""Facts that tell open contacts from worn ones, and an open load from a load that something else keeps off."""

from decimal import Decimal

from meterlink.core.units import Quantity
from meterlink.core.verdicts import Verdict
from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, fact, make_evidence, make_positive_evidence
from meterlink.diagnosis.facts_capacitor import low_under_load
from meterlink.diagnosis.facts_currents import capacitor_low, winding_bad
from meterlink.diagnosis.facts_points import contacts_carry_supply, contacts_look_closed, nothing_flows
from meterlink.diagnosis.facts_readings import describe_point
from meterlink.diagnosis.observations import PointReadings, is_in_doubt
from meterlink.diagnosis.running_motors import RunningMotor
from meterlink.diagnosis.subjects import CapacitorSection, Coil, ContactorContacts, WholeVisit
from meterlink.diagnosis.supply_state import fed_control_supply, newest_line_supplies
from meterlink.diagnosis.voltage_levels import VoltageLevel, voltage_level
from meterlink.judge.electrical.unbalance import DEFAULT_UNBALANCE_LIMIT, unbalance
from meterlink.judge.judging import format_decimal

_BAD = {Verdict.OPEN, Verdict.SHORTED, Verdict.OUTSIDE}
MOST_UNBALANCE_PERCENT = DEFAULT_UNBALANCE_LIMIT[Quantity.VOLTAGE]

# Contacts


@fact(ContactorContacts, "they have voltage across them instead of current")
def _open(contacts: ContactorContacts) -> Evidence:
    """Most of the supply is across them; or more than worn contacts drop, and no current flows in their circuit. With
    two poles open a meter finds half of the supply, or what its own leads pick up.
    """
    most = contacts_carry_supply(contacts)
    if most.holds:
        return most
    looks_closed, flows_not = contacts_look_closed(contacts), nothing_flows(contacts)
    if looks_closed.holds is None or flows_not.holds is None:
        return UNKNOWN
    latest = contacts.point_readings.latest
    text = f"{describe_point(contacts.point_readings)} reads {latest.text if latest else ''}, and no current flows."
    return make_evidence(bool(flows_not.holds) and not looks_closed.holds, text, latest)


@fact(ContactorContacts, "another pole of theirs is open")
def _other_pole_open(contacts: ContactorContacts) -> Evidence:
    """Another pole of the same contactor has voltage across it instead of current: that alone stops every current."""
    point = contacts.point_readings.point
    for other in ContactorContacts.find_all(contacts.case):
        own = other.point_readings.point
        if own.key != point.key and (own.circuit, own.component) == (point.circuit, point.component):
            evidence = _open(other)
            if evidence.holds:
                return evidence
    return DOES_NOT_HOLD


@fact(ContactorContacts, "the coil that moves them reads open or outside its limits")
def _coil_bad(contacts: ContactorContacts) -> Evidence:
    """The resistance of a contactor's coil is open, shorted or outside its limits: the coil explains open contacts."""
    for coil in Coil.find_all(contacts.case):
        ohms = coil.resistance
        if "contactor" in coil.point.component.lower() and ohms and ohms.latest and ohms.latest.verdict in _BAD:
            return make_positive_evidence(f"{describe_point(ohms)} reads {ohms.latest.text}.", ohms.latest)
    return DOES_NOT_HOLD


@fact(ContactorContacts, "a line supply is low or has no voltage")
def _supply_poor(contacts: ContactorContacts) -> Evidence:
    """The newest voltage of a line supply is below its low limit, or almost zero."""
    supplies = newest_line_supplies(contacts.case)
    poor = [entry for entry in supplies if voltage_level(entry) in {VoltageLevel.LOW, VoltageLevel.ABSENT}]
    if not poor:
        return DOES_NOT_HOLD if supplies else UNKNOWN
    text = f"{describe_point(poor[0])} reads {poor[0].latest.text if poor[0].latest else ''}."
    return make_positive_evidence(text, poor[0].latest)


@fact(ContactorContacts, "another fault of their motor keeps it off")
def _motor_fault(contacts: ContactorContacts) -> Evidence:
    """A capacitor in their circuit is weak or open, or a winding or a start relay reads open, shorted or outside its
    limits: the motor does not start, and its protector opens.
    """
    circuit = contacts.point_readings.point.circuit
    for entry in contacts.case.point_readings:
        is_relay = "start relay" in entry.point.component.lower() and entry.point.circuit == circuit
        if is_relay and entry.latest is not None and entry.latest.verdict in _BAD:
            text = f"{describe_point(entry)} reads {entry.latest.text}."
            return make_positive_evidence(text, entry.latest)
    for motor in RunningMotor.find_all(contacts.case):
        for evidence in (capacitor_low(motor), winding_bad(motor)) if motor.circuit == circuit else ():
            if evidence.holds:
                return evidence
    return DOES_NOT_HOLD


# Control


@fact(Coil, "the line that feeds its transformer has no voltage")
def _line_of_transformer_absent(coil: Coil) -> Evidence:
    """The transformer is fed by the line of this unit, and a line supply reads almost zero."""
    if fed_control_supply(coil.case) is None:
        return UNKNOWN
    for entry in newest_line_supplies(coil.case):
        if voltage_level(entry) is VoltageLevel.ABSENT:
            text = f"{describe_point(entry)} reads {entry.latest.text if entry.latest else ''}."
            return make_positive_evidence(text, entry.latest)
    return DOES_NOT_HOLD


# Capacitors under load


@fact(RunningMotor, "a capacitor of its circuit is low under load")
def _low_under_load(motor: RunningMotor) -> Evidence:
    """A capacitor section in its circuit is below its low limit under load: the part or its connection is bad."""
    sections = [section for section in CapacitorSection.find_all(motor.case) if _is_in(section, motor.circuit)]
    found = [evidence for section in sections if (evidence := low_under_load(section)).holds is not None]
    return next((evidence for evidence in found if evidence.holds), DOES_NOT_HOLD if found else UNKNOWN)


def _is_in(section: CapacitorSection, circuit: str) -> bool:
    return section.point_readings.point.circuit == circuit


# The supply


def _highest_line(visit: WholeVisit) -> PointReadings | None:
    """Return a line supply whose newest voltage is above its high limit; None without one."""
    for entry in newest_line_supplies(visit.case):
        limits, judgement = entry.limits, entry.latest.judgement if entry.latest else None
        high = limits.high if limits else None
        if high is not None and judgement and judgement.digits is not None and judgement.digits > high:
            return entry
    return None


@fact(WholeVisit, "the line supply reads above its high limit")
def _line_high(visit: WholeVisit) -> Evidence:
    """The newest voltage of a line supply is above its high limit."""
    if not newest_line_supplies(visit.case):
        return UNKNOWN
    entry = _highest_line(visit)
    if entry is None or entry.latest is None or entry.latest.judgement is None:
        return DOES_NOT_HOLD
    return make_positive_evidence(f"{describe_point(entry)}: {entry.latest.judgement.reason}", entry.latest)


@fact(WholeVisit, "the high line supply is a close call")
def _high_line_close(visit: WholeVisit) -> Evidence:
    """The meter's error may reach across the high limit of the line voltage."""
    entry = _highest_line(visit)
    if entry is None or entry.latest is None:
        return UNKNOWN
    return make_evidence(
        is_in_doubt(entry.latest), f"{entry.latest.text} is a close call for this meter.", entry.latest
    )


@fact(WholeVisit, "the line voltages are unbalanced")
def _unbalanced(visit: WholeVisit) -> Evidence:
    """Three newest line voltages, all present, are off their mean by more than 2 % (NEMA MG-1, 14.36) and by more than
    a step of the display.
    """
    three = _three_lines(visit)
    readings = [entry.latest for entry in three if entry.latest is not None and entry.latest.estimate is not None]
    if len(readings) < 3:
        return UNKNOWN
    volts = [reading.measured.in_unit("V") for reading in readings]
    first, second, third = (digits or Decimal(0) for digits, _ in volts)
    found = unbalance(first, second, third)
    step = 100 * max(resolution for _, resolution in volts) / found.mean
    listed = ", ".join(f"{entry.terminals_text} {entry.latest.text}" for entry in three if entry.latest)
    text = (
        f"{listed}: one is {format_decimal(round(found.nema_percent, 1))} % off their mean, and at most"
        f" {MOST_UNBALANCE_PERCENT} % should be."
    )
    return make_evidence(found.nema_percent - step > MOST_UNBALANCE_PERCENT, text, *readings)


def _three_lines(visit: WholeVisit) -> list[PointReadings]:
    """Return the newest voltages between each two of three lines of one circuit; none where one is absent."""
    present = [
        entry
        for entry in newest_line_supplies(visit.case)
        if voltage_level(entry) in {VoltageLevel.LOW, VoltageLevel.PRESENT}
    ]
    for circuit in dict.fromkeys(entry.point.circuit for entry in present):
        own = [entry for entry in present if entry.point.circuit == circuit]
        if len(own) == len({terminal for entry in own for terminal in entry.point.terminals}) == 3:
            return own
    return []

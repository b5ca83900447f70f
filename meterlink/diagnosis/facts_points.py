"""Facts about contacts, about any test point, and about the whole visit."""

from itertools import pairwise

from meterlink.core.equipment import CircuitState
from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Margin, Verdict
from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, fact, make_evidence, make_positive_evidence
from meterlink.diagnosis.facts_readings import describe_point, readings_differ
from meterlink.diagnosis.likelihood import readings_agree
from meterlink.diagnosis.observations import Observation, PointReadings, is_in_doubt
from meterlink.diagnosis.subjects import ContactorContacts, MeasuredPoint, WholeVisit, is_control_supply, is_line_supply
from meterlink.diagnosis.voltage_levels import VoltageLevel, voltage_level

# Two voltages sag together if their shares of nominal differ by at most this much. A voltage counts as that of a supply
# if it differs from it by at most this share. Common practice, no source.
_SAME_SHARE = 0.05
# Open contacts carry the voltage of the supply, and worn ones drop a few volts at most, so the bound is half. Common
# practice, no source.
_OPEN_CONTACTS_SHARE = 0.5
# Closed contacts drop tenths of a volt, and badly burnt ones some volts: no more than this share of the line. Common
# practice, no source.
_CLOSED_CONTACTS_SHARE = 0.05


# Contacts


@fact(ContactorContacts, "their voltage drop is above its limit")
def _drop_above_limit(contacts: ContactorContacts) -> Evidence:
    """The voltage across the closed contacts is above its limit."""
    latest = contacts.point_readings.latest
    if latest is None or latest.judgement is None:
        return UNKNOWN
    # A decision rule may leave a displayed value beyond the limit open.
    limits, digits = latest.judgement.limits, latest.judgement.digits
    above = limits is not None and limits.high is not None and digits is not None and digits > limits.high
    text = f"{describe_point(contacts.point_readings)}: {latest.judgement.reason}"
    return make_evidence(above or latest.verdict is Verdict.OUTSIDE, text, latest)


@fact(ContactorContacts, "most of the supply is across them")
def _supply_across_contacts(contacts: ContactorContacts) -> Evidence:
    """The voltage across the contacts is more than half of the line supply that was read."""
    latest, line = contacts.point_readings.latest, _line_supply(contacts)
    if latest is None or latest.estimate is None or line is None or line.estimate is None:
        return UNKNOWN
    text = (
        f"{describe_point(contacts.point_readings)} reads {latest.text} and the supply {line.text}, so no current flows"
        " through the contacts."
    )
    return make_evidence(latest.estimate.value > _OPEN_CONTACTS_SHARE * line.estimate.value > 0, text, latest, line)


@fact(ContactorContacts, "their voltage drop is a close call")
def _close_contacts(contacts: ContactorContacts) -> Evidence:
    """The meter's error may reach across the limit of the voltage drop."""
    latest = contacts.point_readings.latest
    close = latest is not None and is_in_doubt(latest)
    return make_evidence(close, f"{describe_point(contacts.point_readings)} is a close call for this meter.", latest)


@fact(ContactorContacts, "voltage reaches the coil")
def _coil_voltage_present(contacts: ContactorContacts) -> Evidence:
    """The voltage at a contactor coil was read and is present."""
    return _coil_voltage(contacts, VoltageLevel.PRESENT, "so the contactor should have pulled in.")


@fact(ContactorContacts, "no voltage reaches the coil")
def _coil_voltage_absent(contacts: ContactorContacts) -> Evidence:
    """The voltage at a contactor coil was read and is almost zero."""
    return _coil_voltage(contacts, VoltageLevel.ABSENT, "so the contactor is not energized.")


@fact(ContactorContacts, "their voltage drop shows that they are closed")
def _closed(contacts: ContactorContacts) -> Evidence:
    """The line supply has voltage, and almost none of it is across the contacts."""
    latest, line = contacts.point_readings.latest, _line_supply(contacts)
    if latest is None or latest.estimate is None or line is None or line.estimate is None:
        return UNKNOWN
    text = f"The supply reads {line.text} and {describe_point(contacts.point_readings)} {latest.text}: they are closed."
    return make_evidence(latest.estimate.value < _CLOSED_CONTACTS_SHARE * line.estimate.value, text, latest, line)


@fact(ContactorContacts, "no current flows in their circuit")
def _nothing_flows(contacts: ContactorContacts) -> Evidence:
    """The newest current in their circuit is less than the meter can show."""
    circuit = contacts.point_readings.point.circuit
    for point_readings in contacts.case.point_readings:
        point, latest = point_readings.point, point_readings.latest
        if point.circuit == circuit and point.quantity is Quantity.CURRENT and latest is not None:
            text = f"{describe_point(point_readings)} reads {latest.text}: no current that this meter can show."
            return make_evidence(latest.verdict is Verdict.NOTHING_FLOWS, text, latest)
    return UNKNOWN


def _coil_voltage(contacts: ContactorContacts, expected: VoltageLevel, conclusion: str) -> Evidence:
    for point_readings in contacts.case.point_readings:
        point, latest = point_readings.point, point_readings.latest
        if "coil" not in point.component.lower() or point.state is not CircuitState.ENERGIZED:
            continue
        level = voltage_level(point_readings)
        if level is not None:
            text = f"{describe_point(point_readings)} reads {latest.text if latest else ''}, {conclusion}"
            return make_evidence(level is expected, text, latest)
    return UNKNOWN


def _line_supply(contacts: ContactorContacts) -> Observation | None:
    supplies = (entry for entry in contacts.case.point_readings if is_line_supply(entry.point))
    return next((supply.latest for supply in supplies), None)


# Any test point


@fact(MeasuredPoint, "the meter was set to another quantity")
def _wrong_function(point: MeasuredPoint) -> Evidence:
    """The newest reading is of another quantity than that of the test point."""
    newest = point.point_readings.readings[-1]
    text = (
        f"{newest.text} is {newest.measured.quantity}, but {describe_point(point.point_readings)} needs"
        f" {point.point_readings.point.quantity}: this reading is no evidence about the part."
    )
    return make_evidence(newest.measured.quantity is not point.point_readings.point.quantity, text, newest)


@fact(MeasuredPoint, "voltage was read where the circuit should be isolated")
def _stray_voltage(point: MeasuredPoint) -> Evidence:
    """A voltage above the pick-up of open leads (10 counts, 0.1 V) was read at a point that should be isolated."""
    voltages = point.point_readings.stray_voltages
    if not voltages:
        return DOES_NOT_HOLD
    newest = voltages[-1]
    coupling = f" {newest.coupling}" if newest.coupling else ""
    text = (
        f"{describe_point(point.point_readings)} should be isolated and discharged, but read {newest.text}{coupling}."
    )
    return make_positive_evidence(text, *voltages)


@fact(MeasuredPoint, "the voltage was read more than once")
def _stray_voltage_repeats(point: MeasuredPoint) -> Evidence:
    """Two readings or more show the voltage."""
    voltages = point.point_readings.stray_voltages
    return make_evidence(len(voltages) > 1, f"{len(voltages)} readings show the voltage.", *voltages)


@fact(MeasuredPoint, "the voltage equals that of a supply that was read")
def _equals_supply(point: MeasuredPoint) -> Evidence:
    """The voltage is within 5 % of a supply voltage that was read at this visit."""
    supplies = [
        entry for entry in point.case.point_readings if is_line_supply(entry.point) or is_control_supply(entry.point)
    ]
    if not supplies:
        return UNKNOWN
    for reading in point.point_readings.stray_voltages:
        for supply in supplies:
            stray, source = reading.estimate, supply.latest.estimate if supply.latest else None
            if stray and source and abs(stray.value - source.value) <= _SAME_SHARE * source.value:
                text = (
                    f"{reading.text} is the voltage of a supply: {describe_point(supply)} reads"
                    f" {supply.latest.text if supply.latest else ''}."
                )
                return make_positive_evidence(text, reading, supply.latest)
    return DOES_NOT_HOLD


@fact(MeasuredPoint, "the newest reading shows no voltage")
def _newest_shows_none(point: MeasuredPoint) -> Evidence:
    """The newest voltage reading there is no more than the pick-up of open leads."""
    volts = [reading for reading in point.point_readings.readings if reading.measured.quantity.value == "voltage"]
    if len(volts) < 2:
        return UNKNOWN
    newest = volts[-1]
    return make_evidence(not newest.shows_voltage, f"The newest voltage reading is {newest.text}.", newest)


@fact(MeasuredPoint, "the voltage was DC across a capacitor")
def _stored_charge(point: MeasuredPoint) -> Evidence:
    """The voltage was DC, across the terminals of a capacitor: stored charge."""
    voltages = point.point_readings.stray_voltages
    if not voltages or voltages[-1].coupling is None:
        return UNKNOWN
    newest = voltages[-1]
    holds = newest.coupling is Coupling.DC and "capacitor" in point.point_readings.point.component.lower()
    text = f"{newest.text} DC at {describe_point(point.point_readings)} is charge that it kept or regained."
    return make_evidence(holds, text, newest)


@fact(MeasuredPoint, "its readings differ")
def _readings_differ(point: MeasuredPoint) -> Evidence:
    """The newest reading and an earlier one differ by more than the meter's repeatability."""
    return readings_differ(point.point_readings)


@fact(MeasuredPoint, "one reading is within limits and another is not")
def _within_and_outside(point: MeasuredPoint) -> Evidence:
    """One reading there is within its limits, and another is outside, open or shorted."""
    readings = point.point_readings.matching_readings
    verdicts = [reading.verdict for reading in readings]
    if len(verdicts) < 2:
        return UNKNOWN
    failed = {Verdict.OUTSIDE, Verdict.OPEN, Verdict.SHORTED}
    text = "One reading is within its limits and another is not, but a part does not repair itself."
    return make_evidence(Verdict.WITHIN in verdicts and bool(failed.intersection(verdicts)), text, *readings)


@fact(MeasuredPoint, "the newest reading is the one within limits")
def _within_at_last(point: MeasuredPoint) -> Evidence:
    """The newest reading is within its limits and an earlier one is not, as after a replacement."""
    *earlier, newest = [reading.verdict for reading in point.point_readings.matching_readings] or [None]
    if not earlier:
        return UNKNOWN
    return make_evidence(
        newest is Verdict.WITHIN and any(verdict is not Verdict.WITHIN for verdict in earlier),
        "The newest reading is the one within its limits. Was the part replaced before it?",
        point.point_readings.latest,
    )


@fact(MeasuredPoint, "its readings are from different meters")
def _different_meters(point: MeasuredPoint) -> Evidence:
    """The readings are from two meters or more, and the readings of each meter agree with each other."""
    readings = point.point_readings.matching_readings
    meters = list(dict.fromkeys(reading.meter for reading in readings))
    if len(readings) < 2:
        return UNKNOWN
    consistent = all(
        readings_agree(earlier, later) is True
        for meter in meters
        for earlier, later in pairwise([reading for reading in readings if reading.meter == meter])
    )
    listed = ", ".join(f"{reading.meter} {reading.text}" for reading in readings)
    return make_evidence(len(meters) > 1 and consistent, f"{' and '.join(meters)} disagree there: {listed}.", *readings)


@fact(MeasuredPoint, "its readings only rise or only fall")
def _monotonic(point: MeasuredPoint) -> Evidence:
    """Three readings or more only rise or only fall: the part warms, cools, charges or dries."""
    readings = point.point_readings.matching_readings
    values = [reading.estimate.value for reading in readings if reading.estimate]
    if len(values) < 3 or len(values) < len(readings):
        return UNKNOWN
    steps = [later - earlier for earlier, later in pairwise(values)]
    one_way = all(step > 0 for step in steps) or all(step < 0 for step in steps)
    listed = ", ".join(reading.text for reading in readings)
    return make_evidence(one_way, f"The readings only rise or only fall: {listed}.", *readings)


# The visit


@fact(WholeVisit, "the line supply reads below its low limit")
def _line_low(visit: WholeVisit) -> Evidence:
    """The newest line voltage is below its low limit, but not almost zero."""
    return _level_is(visit.worst_line_supply, VoltageLevel.LOW)


@fact(WholeVisit, "the line supply reads almost zero")
def _line_absent(visit: WholeVisit) -> Evidence:
    """The newest line voltage is below a fifth of its low limit (below 2 V without limits)."""
    return _level_is(visit.worst_line_supply, VoltageLevel.ABSENT)


@fact(WholeVisit, "the line supply fell under load")
def _line_sags(visit: WholeVisit) -> Evidence:
    """Between the same two terminals, the line voltage was not low at one test point and low at a later one."""
    for first in visit.line_supplies:
        for later in visit.line_supplies:
            same = first.point.terminals == later.point.terminals and first.point.key != later.point.key
            if not same or not first.latest or not later.latest or later.latest.number < first.latest.number:
                continue
            if voltage_level(first) is VoltageLevel.PRESENT and voltage_level(later) is VoltageLevel.LOW:
                text = f"{describe_point(first)} read {first.latest.text} and later {later.latest.text}."
                return make_positive_evidence(text, first.latest, later.latest)
    return DOES_NOT_HOLD if len(visit.line_supplies) > 1 else UNKNOWN


def _level_is(point_readings: PointReadings | None, expected: VoltageLevel) -> Evidence:
    if point_readings is None or point_readings.latest is None or voltage_level(point_readings) is None:
        return UNKNOWN
    limits = f" (limits: {point_readings.limits.basis})" if point_readings.limits else ""
    return make_evidence(
        voltage_level(point_readings) is expected,
        f"{describe_point(point_readings)} reads {point_readings.latest.text}{limits}.",
        point_readings.latest,
    )


@fact(WholeVisit, "the line supply is a close call")
def _line_close(visit: WholeVisit) -> Evidence:
    """The meter's error may reach across the nearest limit of the line voltage."""
    latest = visit.worst_line_supply.latest if visit.worst_line_supply else None
    if latest is None or latest.judgement is None:
        return UNKNOWN
    return make_evidence(
        latest.judgement.margin is Margin.CLOSE_CALL, f"{latest.text} is a close call for this meter.", latest
    )


@fact(WholeVisit, "the control supply is low by the same percentage")
def _control_low_alike(visit: WholeVisit) -> Evidence:
    """Line and control voltage are both below nominal, at percentages of nominal that differ by at most 5."""
    line, control = _share_of_nominal(visit.worst_line_supply), _share_of_nominal(visit.control_supply)
    if line is None or control is None or visit.worst_line_supply is None or visit.control_supply is None:
        return UNKNOWN
    text = (
        f"{describe_point(visit.worst_line_supply)} is at {line:.0%} of nominal and"
        f" {describe_point(visit.control_supply)} at {control:.0%}."
    )
    holds = line < 1 and control < 1 and abs(line - control) <= _SAME_SHARE
    return make_evidence(holds, text, visit.worst_line_supply.latest, visit.control_supply.latest)


@fact(WholeVisit, "the control supply has voltage")
def _control_present(visit: WholeVisit) -> Evidence:
    """The newest control voltage is not almost zero."""
    level = None if visit.control_supply is None else voltage_level(visit.control_supply)
    if visit.control_supply is None or visit.control_supply.latest is None or level is None:
        return UNKNOWN
    text = f"{describe_point(visit.control_supply)} reads {visit.control_supply.latest.text}."
    return make_evidence(level is not VoltageLevel.ABSENT, text, visit.control_supply.latest)


def _share_of_nominal(point_readings: PointReadings | None) -> float | None:
    latest, limits = (point_readings.latest, point_readings.limits) if point_readings else (None, None)
    if latest is None or latest.judgement is None or latest.judgement.digits is None:
        return None
    return float(latest.judgement.digits / limits.nominal) if limits and limits.nominal else None


@fact(WholeVisit, "a meter's battery was low")
def _battery(visit: WholeVisit) -> Evidence:
    """The meter showed its low-battery sign with an accepted reading."""
    low = [reading for reading in visit.case.observations if reading.low_battery]
    meters = " and ".join(dict.fromkeys(reading.meter or "The meter" for reading in low))
    return make_evidence(bool(low), f"{meters} showed a low battery in {len(low)} of the accepted readings.", *low)

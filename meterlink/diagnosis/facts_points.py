"""Facts about contacts, about what was read at any test point, and about the visit as a whole."""

from itertools import pairwise

from meterlink.core.equipment import CircuitState
from meterlink.core.readings import Coupling
from meterlink.core.verdicts import Margin, Verdict
from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, fact, make_evidence, make_positive_evidence
from meterlink.diagnosis.facts_readings import describe_point, readings_differ
from meterlink.diagnosis.likelihood import readings_agree
from meterlink.diagnosis.observations import Observation, PointReadings
from meterlink.diagnosis.subjects import ContactorContacts, MeasuredPoint, WholeVisit, is_control_supply, is_line_supply
from meterlink.diagnosis.voltage_levels import VoltageLevel, is_voltage_present, stray_voltages, voltage_level

# Two voltages that are the same share of their nominal, to this share, sag together. A voltage this near to a supply's
# is taken to be that supply's. Common practice, no source.
_SAME_SHARE = 0.05
# Contacts that part carry the supply's own voltage; worn ones drop volts at most. Common practice, no source: half.
_OPEN_CONTACTS_SHARE = 0.5


# Contacts


@fact(ContactorContacts, "they drop more than they may")
def _drop_above_limit(contacts: ContactorContacts) -> Evidence:
    """The volts across the closed contacts are above the limit."""
    latest = contacts.point_readings.latest
    if latest is None or latest.judgement is None:
        return UNKNOWN
    return make_evidence(
        latest.verdict in {Verdict.OUTSIDE, Verdict.UNDECIDED},
        f"{describe_point(contacts.point_readings)}: {latest.judgement.reason}",
        latest,
    )


@fact(ContactorContacts, "most of the supply is across them")
def _supply_across_contacts(contacts: ContactorContacts) -> Evidence:
    """The volts across the contacts are more than half of the line supply that was read."""
    latest, line = contacts.point_readings.latest, _line_supply(contacts)
    if latest is None or latest.estimate is None or line is None or line.estimate is None:
        return UNKNOWN
    text = f"{describe_point(contacts.point_readings)} reads {latest.text}, the supply {line.text}: no current flows through them."
    return make_evidence(latest.estimate.value > _OPEN_CONTACTS_SHARE * line.estimate.value > 0, text, latest, line)


@fact(ContactorContacts, "they are a close call")
def _close_contacts(contacts: ContactorContacts) -> Evidence:
    """The meter's own uncertainty straddles the limit of the drop."""
    latest = contacts.point_readings.latest
    close = bool(latest and latest.judgement and latest.judgement.margin is Margin.CLOSE_CALL)
    return make_evidence(close, f"{describe_point(contacts.point_readings)} is a close call for this meter.", latest)


@fact(ContactorContacts, "voltage reaches the coil")
def _coil_voltage_present(contacts: ContactorContacts) -> Evidence:
    """The voltage at a contactor coil has been read and is there."""
    return _coil_voltage(contacts, VoltageLevel.PRESENT, "so the contactor should have pulled in.")


@fact(ContactorContacts, "no voltage reaches the coil")
def _coil_voltage_absent(contacts: ContactorContacts) -> Evidence:
    """The voltage at a contactor coil has been read and is next to nothing."""
    return _coil_voltage(contacts, VoltageLevel.ABSENT, "so the contactor is not called.")


def _coil_voltage(contacts: ContactorContacts, expected: VoltageLevel, conclusion: str) -> Evidence:
    for takes in contacts.case.point_readings:
        point = takes.point
        if (
            "coil" in point.component.lower()
            and point.state is CircuitState.ENERGIZED
            and voltage_level(takes) is not None
        ):
            latest = takes.latest
            return make_evidence(
                voltage_level(takes) is expected,
                f"{describe_point(takes)} reads {latest.text if latest else ''}, {conclusion}",
                latest,
            )
    return UNKNOWN


def _line_supply(contacts: ContactorContacts) -> Observation | None:
    return next((takes.latest for takes in contacts.case.point_readings if is_line_supply(takes.point)), None)


# Any test point


@fact(MeasuredPoint, "the meter was set to something else")
def _wrong_function(point: MeasuredPoint) -> Evidence:
    """The newest reading is not of the quantity this test point wants."""
    newest = point.point_readings.readings[-1]
    text = (
        f"{newest.text} is {newest.measured.quantity}; {describe_point(point.point_readings)} wants {point.point_readings.point.quantity}, so this"
        " says nothing about the part."
    )
    return make_evidence(newest.measured.quantity is not point.point_readings.point.quantity, text, newest)


@fact(MeasuredPoint, "there was voltage where it should be isolated")
def _stray_voltage(point: MeasuredPoint) -> Evidence:
    """A voltage above what open leads pick up (10 counts, 0.1 V) was read at a point that is to be isolated."""
    found = stray_voltages(point.point_readings)
    if not found:
        return DOES_NOT_HOLD
    kind = f" {found[-1].coupling}" if found[-1].coupling else ""
    text = f"{describe_point(point.point_readings)} should be isolated and discharged, and read {found[-1].text}{kind}."
    return make_positive_evidence(text, *found)


@fact(MeasuredPoint, "it was read more than once")
def _stray_voltage_repeats(point: MeasuredPoint) -> Evidence:
    """The voltage was read in two takes or more."""
    found = stray_voltages(point.point_readings)
    return make_evidence(len(found) > 1, f"It was there in {len(found)} takes.", *found)


@fact(MeasuredPoint, "it is that of a supply that was read")
def _equals_supply(point: MeasuredPoint) -> Evidence:
    """The voltage is within 5 % of a supply's voltage that was read at this visit."""
    supplies = [t for t in point.case.point_readings if is_line_supply(t.point) or is_control_supply(t.point)]
    if not supplies:
        return UNKNOWN
    for each in stray_voltages(point.point_readings):
        for takes in supplies:
            mine, its = each.estimate, takes.latest.estimate if takes.latest else None
            if mine and its and abs(mine.value - its.value) <= _SAME_SHARE * its.value:
                text = (
                    f"{each.text} is what {describe_point(takes)} reads: {takes.latest.text if takes.latest else ''}."
                )
                return make_positive_evidence(text, each, takes.latest)
    return DOES_NOT_HOLD


@fact(MeasuredPoint, "the newest take shows none")
def _newest_shows_none(point: MeasuredPoint) -> Evidence:
    """The newest voltage reading there is no more than open leads pick up."""
    volts = [each for each in point.point_readings.readings if each.measured.quantity.value == "voltage"]
    if len(volts) < 2:
        return UNKNOWN
    return make_evidence(not is_voltage_present(volts[-1]), f"The newest take there shows {volts[-1].text}.", volts[-1])


@fact(MeasuredPoint, "it was direct voltage at a capacitor")
def _stored_charge(point: MeasuredPoint) -> Evidence:
    """The voltage was DC, across a capacitor's terminals: stored charge."""
    found = stray_voltages(point.point_readings)
    if not found or found[-1].coupling is None:
        return UNKNOWN
    holds = found[-1].coupling is Coupling.DC and "capacitor" in point.point_readings.point.component.lower()
    return make_evidence(
        holds,
        f"{found[-1].text} DC at {describe_point(point.point_readings)} is charge it has kept or got back.",
        found[-1],
    )


@fact(MeasuredPoint, "takes of it differ")
def _readings_differ(point: MeasuredPoint) -> Evidence:
    """The newest reading and an earlier one differ by more than the meter repeats to."""
    return readings_differ(point.point_readings)


@fact(MeasuredPoint, "one take is within its limits and one is not")
def _within_and_outside(point: MeasuredPoint) -> Evidence:
    """Of the readings there, one is within its limits and another is not."""
    verdicts = [each.verdict for each in point.point_readings.matching_readings]
    if len(verdicts) < 2:
        return UNKNOWN
    bad = {Verdict.OUTSIDE, Verdict.OPEN, Verdict.SHORTED}
    text = "One take is within its limits, another is not: no part mends itself between two takes."
    return make_evidence(
        Verdict.WITHIN in verdicts and bool(bad.intersection(verdicts)), text, *point.point_readings.matching_readings
    )


@fact(MeasuredPoint, "the good take is the newest")
def _within_at_last(point: MeasuredPoint) -> Evidence:
    """The newest reading is within its limits, and one before it is not: a new part reads so, too."""
    *earlier, newest = [each.verdict for each in point.point_readings.matching_readings] or [None]
    if not earlier:
        return UNKNOWN
    text = "The good take is the newest: was the part replaced in between?"
    return make_evidence(
        newest is Verdict.WITHIN and any(each is not Verdict.WITHIN for each in earlier),
        text,
        point.point_readings.latest,
    )


@fact(MeasuredPoint, "they were taken with different meters")
def _different_meters(point: MeasuredPoint) -> Evidence:
    """The newest reading and an earlier one that differs were taken with two meters, each of which repeats itself."""
    taken = point.point_readings.matching_readings
    meters = list(dict.fromkeys(each.meter for each in taken))
    if len(taken) < 2:
        return UNKNOWN
    steady = all(
        readings_agree(one, other) is True
        for meter in meters
        for one, other in pairwise([each for each in taken if each.meter == meter])
    )
    text = (
        f"{' and '.join(meters)} do not agree there: " + ", ".join(f"{each.meter} {each.text}" for each in taken) + "."
    )
    return make_evidence(len(meters) > 1 and steady, text, *taken)


@fact(MeasuredPoint, "they change one way from take to take")
def _monotonic(point: MeasuredPoint) -> Evidence:
    """Three takes or more that only rise or only fall: something warms, cools, charges or dries."""
    values = [each.estimate.value for each in point.point_readings.matching_readings if each.estimate]
    if len(values) < 3 or len(values) < len(point.point_readings.matching_readings):
        return UNKNOWN
    steps = [later - earlier for earlier, later in pairwise(values)]
    one_way = all(step > 0 for step in steps) or all(step < 0 for step in steps)
    shown = ", ".join(each.text for each in point.point_readings.matching_readings)
    return make_evidence(one_way, f"They only go one way: {shown}.", *point.point_readings.matching_readings)


# The visit


@fact(WholeVisit, "the line supply reads below its low limit")
def _line_low(visit: WholeVisit) -> Evidence:
    """The newest line voltage is below its low limit, but not next to nothing."""
    return _level_is(visit.worst_line_supply, VoltageLevel.LOW)


@fact(WholeVisit, "the line supply reads next to nothing")
def _line_absent(visit: WholeVisit) -> Evidence:
    """The newest line voltage is below a fifth of its low limit (below 2 V where it has none)."""
    return _level_is(visit.worst_line_supply, VoltageLevel.ABSENT)


@fact(WholeVisit, "the line supply fell under load")
def _line_sags(visit: WholeVisit) -> Evidence:
    """Between the same two terminals the line voltage was there at one reading and low at a later one."""
    for first in visit.line_supplies:
        for later in visit.line_supplies:
            same = first.point.terminals == later.point.terminals and first.point.key != later.point.key
            if not same or not first.latest or not later.latest or later.latest.number < first.latest.number:
                continue
            if voltage_level(first) is VoltageLevel.PRESENT and voltage_level(later) is VoltageLevel.LOW:
                text = f"{describe_point(first)} read {first.latest.text}, later {later.latest.text}."
                return make_positive_evidence(text, first.latest, later.latest)
    return DOES_NOT_HOLD if len(visit.line_supplies) > 1 else UNKNOWN


def _level_is(point_readings: PointReadings | None, expected: VoltageLevel) -> Evidence:
    if point_readings is None or point_readings.latest is None or voltage_level(point_readings) is None:
        return UNKNOWN
    limits = f", to be {point_readings.limits.basis}" if point_readings.limits else ""
    return make_evidence(
        voltage_level(point_readings) is expected,
        f"{describe_point(point_readings)} reads {point_readings.latest.text}{limits}.",
        point_readings.latest,
    )


@fact(WholeVisit, "the line supply is a close call")
def _line_close(visit: WholeVisit) -> Evidence:
    """The meter's own uncertainty straddles the nearest limit of the line voltage."""
    latest = visit.worst_line_supply.latest if visit.worst_line_supply else None
    if latest is None or latest.judgement is None:
        return UNKNOWN
    return make_evidence(
        latest.judgement.margin is Margin.CLOSE_CALL, f"{latest.text} is a close call for this meter.", latest
    )


@fact(WholeVisit, "the control supply is low by the same share")
def _control_low_alike(visit: WholeVisit) -> Evidence:
    """Line and control voltage are both below nominal, by shares that differ by no more than 5 %."""
    line, control = _share_of_nominal(visit.worst_line_supply), _share_of_nominal(visit.control_supply)
    if line is None or control is None or visit.worst_line_supply is None or visit.control_supply is None:
        return UNKNOWN
    text = f"{describe_point(visit.worst_line_supply)} is at {line:.0%} of nominal and {describe_point(visit.control_supply)} at {control:.0%}."
    holds = line < 1 and control < 1 and abs(line - control) <= _SAME_SHARE
    return make_evidence(holds, text, visit.worst_line_supply.latest, visit.control_supply.latest)


@fact(WholeVisit, "the control supply has voltage")
def _control_present(visit: WholeVisit) -> Evidence:
    """The newest control voltage is not next to nothing."""
    found = None if visit.control_supply is None else voltage_level(visit.control_supply)
    if visit.control_supply is None or visit.control_supply.latest is None or found is None:
        return UNKNOWN
    text = f"{describe_point(visit.control_supply)} reads {visit.control_supply.latest.text}."
    return make_evidence(found is not VoltageLevel.ABSENT, text, visit.control_supply.latest)


def _share_of_nominal(point_readings: PointReadings | None) -> float | None:
    latest, limits = (point_readings.latest, point_readings.limits) if point_readings else (None, None)
    if latest is None or latest.judgement is None or latest.judgement.digits is None:
        return None
    return float(latest.judgement.digits / limits.nominal) if limits and limits.nominal else None


@fact(WholeVisit, "a meter's battery was low")
def _battery(visit: WholeVisit) -> Evidence:
    """A held reading came with the meter's low-battery sign."""
    low = [each for each in visit.case.observations if each.low_battery]
    meters = " and ".join(dict.fromkeys(each.meter or "The meter" for each in low))
    return make_evidence(bool(low), f"{meters} showed a low battery in {len(low)} of the readings held.", *low)

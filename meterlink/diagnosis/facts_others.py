"""Facts about contacts, about what was read at any test point, and about the visit as a whole."""

from itertools import pairwise

from meterlink.core.equipment import State
from meterlink.core.readings import Coupling
from meterlink.core.verdicts import Margin, Verdict
from meterlink.diagnosis.evidence import NO, UNKNOWN, Evidence, fact, sure, tell
from meterlink.diagnosis.facts_readings import named, takes_differ
from meterlink.diagnosis.likelihood import repeats
from meterlink.diagnosis.observations import Observation, Takes
from meterlink.diagnosis.subjects import Contacts, Place, Visit, is_control_supply, is_line_supply
from meterlink.diagnosis.voltage import Level, is_there, level, stray_voltages

# Two voltages that are the same share of their nominal, to this share, sag together. A voltage this near to a supply's
# is taken to be that supply's. Common practice, no source.
_TOGETHER = 0.05
# Contacts that part carry the supply's own voltage; worn ones drop volts at most. Common practice, no source: half.
_PARTED = 0.5


# Contacts


@fact(Contacts, "they drop more than they may")
def _drop(contacts: Contacts) -> Evidence:
    """The volts across the closed contacts are above the limit."""
    latest = contacts.takes.latest
    if latest is None or latest.judgement is None:
        return UNKNOWN
    return tell(
        latest.verdict in {Verdict.OUTSIDE, Verdict.UNDECIDED},
        f"{named(contacts.takes)}: {latest.judgement.reason}",
        latest,
    )


@fact(Contacts, "most of the supply is across them")
def _parted(contacts: Contacts) -> Evidence:
    """The volts across the contacts are more than half of the line supply that was read."""
    latest, line = contacts.takes.latest, _line(contacts)
    if latest is None or latest.estimate is None or line is None or line.estimate is None:
        return UNKNOWN
    text = f"{named(contacts.takes)} reads {latest.text}, the supply {line.text}: no current flows through them."
    return tell(latest.estimate.value > _PARTED * line.estimate.value > 0, text, latest, line)


@fact(Contacts, "they are a close call")
def _close_contacts(contacts: Contacts) -> Evidence:
    """The meter's own uncertainty straddles the limit of the drop."""
    latest = contacts.takes.latest
    close = bool(latest and latest.judgement and latest.judgement.margin is Margin.CLOSE_CALL)
    return tell(close, f"{named(contacts.takes)} is a close call for this meter.", latest)


@fact(Contacts, "voltage reaches the coil")
def _coil_fed(contacts: Contacts) -> Evidence:
    """The voltage at a contactor coil has been read and is there."""
    return _coil_voltage(contacts, Level.PRESENT, "so the contactor should have pulled in.")


@fact(Contacts, "no voltage reaches the coil")
def _coil_dead(contacts: Contacts) -> Evidence:
    """The voltage at a contactor coil has been read and is next to nothing."""
    return _coil_voltage(contacts, Level.NONE, "so the contactor is not called.")


def _coil_voltage(contacts: Contacts, wanted: Level, so: str) -> Evidence:
    for takes in contacts.case.takes:
        point = takes.point
        if "coil" in point.component.lower() and point.state is State.ENERGIZED and level(takes) is not None:
            latest = takes.latest
            return tell(level(takes) is wanted, f"{named(takes)} reads {latest.text if latest else ''}, {so}", latest)
    return UNKNOWN


def _line(contacts: Contacts) -> Observation | None:
    return next((takes.latest for takes in contacts.case.takes if is_line_supply(takes.point)), None)


# Any test point


@fact(Place, "the meter was set to something else")
def _function(place: Place) -> Evidence:
    """The newest reading is not of the quantity this test point wants."""
    newest = place.takes.taken[-1]
    text = (
        f"{newest.text} is {newest.measured.quantity}; {named(place.takes)} wants {place.takes.point.quantity}, so this"
        " says nothing about the part."
    )
    return tell(newest.measured.quantity is not place.takes.point.quantity, text, newest)


@fact(Place, "there was voltage where it should be isolated")
def _stray(place: Place) -> Evidence:
    """A voltage above what open leads pick up (10 counts, 0.1 V) was read at a point that is to be isolated."""
    found = stray_voltages(place.takes)
    if not found:
        return NO
    kind = f" {found[-1].coupling}" if found[-1].coupling else ""
    text = f"{named(place.takes)} should be isolated and discharged, and read {found[-1].text}{kind}."
    return sure(text, *found)


@fact(Place, "it was read more than once")
def _stray_again(place: Place) -> Evidence:
    """The voltage was read in two takes or more."""
    found = stray_voltages(place.takes)
    return tell(len(found) > 1, f"It was there in {len(found)} takes.", *found)


@fact(Place, "it is that of a supply that was read")
def _of_a_supply(place: Place) -> Evidence:
    """The voltage is within 5 % of a supply's voltage that was read at this visit."""
    supplies = [t for t in place.case.takes if is_line_supply(t.point) or is_control_supply(t.point)]
    if not supplies:
        return UNKNOWN
    for each in stray_voltages(place.takes):
        for takes in supplies:
            mine, its = each.estimate, takes.latest.estimate if takes.latest else None
            if mine and its and abs(mine.value - its.value) <= _TOGETHER * its.value:
                text = f"{each.text} is what {named(takes)} reads: {takes.latest.text if takes.latest else ''}."
                return sure(text, each, takes.latest)
    return NO


@fact(Place, "the newest take shows none")
def _gone(place: Place) -> Evidence:
    """The newest voltage reading there is no more than open leads pick up."""
    volts = [each for each in place.takes.taken if each.measured.quantity.value == "voltage"]
    if len(volts) < 2:
        return UNKNOWN
    return tell(not is_there(volts[-1]), f"The newest take there shows {volts[-1].text}.", volts[-1])


@fact(Place, "it was direct voltage at a capacitor")
def _charge(place: Place) -> Evidence:
    """The voltage was DC, across a capacitor's terminals: stored charge."""
    found = stray_voltages(place.takes)
    if not found or found[-1].coupling is None:
        return UNKNOWN
    holds = found[-1].coupling is Coupling.DC and "capacitor" in place.takes.point.component.lower()
    return tell(holds, f"{found[-1].text} DC at {named(place.takes)} is charge it has kept or got back.", found[-1])


@fact(Place, "takes of it differ")
def _differ(place: Place) -> Evidence:
    """The newest reading and an earlier one differ by more than the meter repeats to."""
    return takes_differ(place.takes)


@fact(Place, "one take is within its limits and one is not")
def _both_sides(place: Place) -> Evidence:
    """Of the readings there, one is within its limits and another is not."""
    verdicts = [each.verdict for each in place.takes.matching]
    if len(verdicts) < 2:
        return UNKNOWN
    bad = {Verdict.OUTSIDE, Verdict.OPEN, Verdict.SHORTED}
    text = "One take is within its limits, another is not: no part mends itself between two takes."
    return tell(Verdict.WITHIN in verdicts and bool(bad.intersection(verdicts)), text, *place.takes.matching)


@fact(Place, "the good take is the newest")
def _mended(place: Place) -> Evidence:
    """The newest reading is within its limits, and one before it is not: a new part reads so, too."""
    *earlier, newest = [each.verdict for each in place.takes.matching] or [None]
    if not earlier:
        return UNKNOWN
    text = "The good take is the newest: was the part replaced in between?"
    return tell(
        newest is Verdict.WITHIN and any(each is not Verdict.WITHIN for each in earlier), text, place.takes.latest
    )


@fact(Place, "they were taken with different meters")
def _meters(place: Place) -> Evidence:
    """The newest reading and an earlier one that differs were taken with two meters, each of which repeats itself."""
    taken = place.takes.matching
    meters = list(dict.fromkeys(each.meter for each in taken))
    if len(taken) < 2:
        return UNKNOWN
    steady = all(
        repeats(one, other) is True
        for meter in meters
        for one, other in pairwise([each for each in taken if each.meter == meter])
    )
    text = (
        f"{' and '.join(meters)} do not agree there: " + ", ".join(f"{each.meter} {each.text}" for each in taken) + "."
    )
    return tell(len(meters) > 1 and steady, text, *taken)


@fact(Place, "they change one way from take to take")
def _one_way(place: Place) -> Evidence:
    """Three takes or more that only rise or only fall: something warms, cools, charges or dries."""
    values = [each.estimate.value for each in place.takes.matching if each.estimate]
    if len(values) < 3 or len(values) < len(place.takes.matching):
        return UNKNOWN
    steps = [later - earlier for earlier, later in pairwise(values)]
    one_way = all(step > 0 for step in steps) or all(step < 0 for step in steps)
    shown = ", ".join(each.text for each in place.takes.matching)
    return tell(one_way, f"They only go one way: {shown}.", *place.takes.matching)


# The visit


@fact(Visit, "the line supply reads below its low limit")
def _line_low(visit: Visit) -> Evidence:
    """The newest line voltage is below its low limit, but not next to nothing."""
    return _supply(visit.line, Level.LOW)


@fact(Visit, "the line supply reads next to nothing")
def _line_dead(visit: Visit) -> Evidence:
    """The newest line voltage is below a fifth of its low limit (below 2 V where it has none)."""
    return _supply(visit.line, Level.NONE)


@fact(Visit, "the line supply fell under load")
def _line_sags(visit: Visit) -> Evidence:
    """Between the same two terminals the line voltage was there at one reading and low at a later one."""
    for first in visit.lines:
        for later in visit.lines:
            same = first.point.terminals == later.point.terminals and first.point.key != later.point.key
            if not same or not first.latest or not later.latest or later.latest.number < first.latest.number:
                continue
            if level(first) is Level.PRESENT and level(later) is Level.LOW:
                text = f"{named(first)} read {first.latest.text}, later {later.latest.text}."
                return sure(text, first.latest, later.latest)
    return NO if len(visit.lines) > 1 else UNKNOWN


def _supply(takes: Takes | None, wanted: Level) -> Evidence:
    if takes is None or takes.latest is None or level(takes) is None:
        return UNKNOWN
    limits = f", to be {takes.limits.basis}" if takes.limits else ""
    return tell(level(takes) is wanted, f"{named(takes)} reads {takes.latest.text}{limits}.", takes.latest)


@fact(Visit, "the line supply is a close call")
def _line_close(visit: Visit) -> Evidence:
    """The meter's own uncertainty straddles the nearest limit of the line voltage."""
    latest = visit.line.latest if visit.line else None
    if latest is None or latest.judgement is None:
        return UNKNOWN
    return tell(latest.judgement.margin is Margin.CLOSE_CALL, f"{latest.text} is a close call for this meter.", latest)


@fact(Visit, "the control supply is low by the same share")
def _sag_together(visit: Visit) -> Evidence:
    """Line and control voltage are both below nominal, by shares that differ by no more than 5 %."""
    line, control = _share(visit.line), _share(visit.control)
    if line is None or control is None or visit.line is None or visit.control is None:
        return UNKNOWN
    text = f"{named(visit.line)} is at {line:.0%} of nominal and {named(visit.control)} at {control:.0%}."
    holds = line < 1 and control < 1 and abs(line - control) <= _TOGETHER
    return tell(holds, text, visit.line.latest, visit.control.latest)


@fact(Visit, "the control supply has voltage")
def _control_live(visit: Visit) -> Evidence:
    """The newest control voltage is not next to nothing."""
    found = None if visit.control is None else level(visit.control)
    if visit.control is None or visit.control.latest is None or found is None:
        return UNKNOWN
    text = f"{named(visit.control)} reads {visit.control.latest.text}."
    return tell(found is not Level.NONE, text, visit.control.latest)


def _share(takes: Takes | None) -> float | None:
    latest, limits = (takes.latest, takes.limits) if takes else (None, None)
    if latest is None or latest.judgement is None or latest.judgement.digits is None:
        return None
    return float(latest.judgement.digits / limits.nominal) if limits and limits.nominal else None


@fact(Visit, "a meter's battery was low")
def _battery(visit: Visit) -> Evidence:
    """A held reading came with the meter's low-battery sign."""
    low = [each for each in visit.case.observations if each.low_battery]
    meters = " and ".join(dict.fromkeys(each.meter or "The meter" for each in low))
    return tell(bool(low), f"{meters} showed a low battery in {len(low)} of the readings held.", *low)

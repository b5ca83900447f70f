"""Facts about contacts, about any test point, and about the whole visit."""

from itertools import pairwise

from meterlink.core.equipment import CircuitState
from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity
from meterlink.core.verdicts import FAILED_VERDICTS, Verdict
from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, fact, make_evidence, make_positive_evidence
from meterlink.diagnosis.facts_readings import describe_point, drop_at_rated_amps, readings_differ
from meterlink.diagnosis.likelihood import readings_agree
from meterlink.diagnosis.observations import Observation, leaves_doubt
from meterlink.diagnosis.repairs import before_and_after, jumped_to_within
from meterlink.diagnosis.running_motors import amps_above_rated, coil_of_contacts, load_currents
from meterlink.diagnosis.subjects import ContactorContacts, MeasuredPoint, WholeVisit, is_control_supply, is_line_supply
from meterlink.diagnosis.supply_points import is_frame_to_ground
from meterlink.diagnosis.supply_state import newest_line_supplies
from meterlink.diagnosis.voltage_levels import LEAST_LINE_VOLTS, VoltageLevel, most_control_volts, voltage_level

# A voltage counts as that of a supply if it differs from it by at most this share. Common practice, no source.
_SAME_SHARE = 0.05
# Open contacts carry the voltage of the supply, and worn ones drop a few volts at most, so the bound is half. Common
# practice, no source.
_OPEN_CONTACTS_SHARE = 0.5
# Closed contacts drop tenths of a volt, and badly burnt ones some volts: no more than this share of the line. Common
# practice, no source.
_CLOSED_CONTACTS_SHARE = 0.05
# A low-voltage circuit has at most 15 V where wet hands may touch it (NEC 411.1, seen quoted). A frame without its
# ground picks up tens of volts from the wires beside it, and is as dangerous.
_LEAST_LIVE_VOLTS = 15.0


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


def contacts_carry_supply(contacts: ContactorContacts) -> Evidence:
    """The voltage across the contacts is more than half of the line supply that was read, which has voltage."""
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
    close = leaves_doubt(contacts.point_readings.together)
    return make_evidence(close, f"{describe_point(contacts.point_readings)} is a close call for this meter.", latest)


@fact(ContactorContacts, "at the rated amps their drop would be within its limit")
def _drop_by_amps(contacts: ContactorContacts) -> Evidence:
    """A motor in their circuit draws more than its rated amps, and the drop goes with the amps (Ohm's law)."""
    circuit = contacts.point_readings.point.circuit
    return drop_at_rated_amps(contacts.point_readings, amps_above_rated(contacts.case, circuit))


@fact(ContactorContacts, "voltage reaches the coil")
def _coil_voltage_present(contacts: ContactorContacts) -> Evidence:
    """The voltage at a contactor coil was read and is present."""
    return _coil_voltage(contacts, VoltageLevel.PRESENT, "so the contactor should have pulled in.")


@fact(ContactorContacts, "no voltage reaches the coil")
def _coil_voltage_absent(contacts: ContactorContacts) -> Evidence:
    """The voltage at a contactor coil was read and is almost zero."""
    return _coil_voltage(contacts, VoltageLevel.ABSENT, "so the contactor is not energized.")


@fact(ContactorContacts, "their voltage drop shows that they are closed")
def contacts_look_closed(contacts: ContactorContacts) -> Evidence:
    """The line supply has voltage, and almost none of it is across the contacts."""
    latest, line = contacts.point_readings.latest, _line_supply(contacts)
    if latest is None or latest.estimate is None or line is None or line.estimate is None:
        return UNKNOWN
    text = f"The supply reads {line.text} and {describe_point(contacts.point_readings)} {latest.text}: they are closed."
    return make_evidence(latest.estimate.value < _CLOSED_CONTACTS_SHARE * line.estimate.value, text, latest, line)


@fact(ContactorContacts, "no current flows in their circuit")
def nothing_flows(contacts: ContactorContacts) -> Evidence:
    """The newest amps of every load in their circuit are less than the meter can show. A capacitor's own lead without
    current proves only an open capacitor.
    """
    leads = load_currents(contacts.case, contacts.point_readings.point.circuit)
    readings = [lead.latest for lead in leads if lead.latest]
    if not readings:
        return UNKNOWN
    listed = ", ".join(f"{describe_point(lead)} reads {lead.latest.text}" for lead in leads if lead.latest)
    nothing = all(reading.verdict is Verdict.NOTHING_FLOWS for reading in readings)
    return make_evidence(nothing, f"{listed}: no current that this meter can show.", *readings)


def _coil_voltage(contacts: ContactorContacts, expected: VoltageLevel, conclusion: str) -> Evidence:
    coil = coil_of_contacts(contacts.case, contacts.point_readings.point.component)
    level = voltage_level(coil) if coil else None
    if coil is None or coil.latest is None or level is None:
        return UNKNOWN
    text = f"{describe_point(coil)} reads {coil.latest.text}, {conclusion}"
    return make_evidence(level is expected, text, coil.latest)


def _line_supply(contacts: ContactorContacts) -> Observation | None:
    present = [
        supply for supply in newest_line_supplies(contacts.case) if voltage_level(supply) is not VoltageLevel.ABSENT
    ]
    return max((supply.latest for supply in present if supply.latest), key=lambda reading: reading.number, default=None)


# Any test point


@fact(MeasuredPoint, "the meter was set to another quantity")
def _wrong_function(point: MeasuredPoint) -> Evidence:
    """The newest reading is of another quantity than that of the test point, or DC at a live point that needs AC."""
    newest, tested = point.point_readings.readings[-1], point.point_readings.point
    same = newest.measured.quantity is tested.quantity
    # DC across an isolated part is a charge, and other rules are about that.
    live = tested.state is CircuitState.ENERGIZED and None not in {tested.coupling, newest.coupling}
    other_coupling = same and live and tested.coupling is not newest.coupling
    read, wanted = (f"{newest.coupling} ", f"{tested.coupling} ") if other_coupling else ("", "")
    text = (
        f"{newest.text} is {read}{newest.measured.quantity}, but {describe_point(point.point_readings)} needs"
        f" {wanted}{tested.quantity}: this reading is no evidence about the part."
    )
    return make_evidence(other_coupling or not same, text, newest)


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


@fact(MeasuredPoint, "metal that should be grounded has voltage")
def _live_frame(point: MeasuredPoint) -> Evidence:
    """The newest voltage from a frame or a cabinet to ground is 15 V or more."""
    latest = point.point_readings.latest
    if latest is None or not is_frame_to_ground(point.point_readings.point):
        return UNKNOWN
    volts = abs(latest.estimate.value) if latest.estimate else float("inf")  # an overload is above any limit
    text = f"{describe_point(point.point_readings)} reads {latest.text}, and should read almost nothing."
    return make_evidence(volts >= _LEAST_LIVE_VOLTS, text, latest)


@fact(MeasuredPoint, "line voltage is in a control circuit")
def _line_in_control(point: MeasuredPoint) -> Evidence:
    """The newest voltage at a point of a control circuit is 90 V or more: the limits there end at 50 V or below, or the
    circuit is named as one of 24 V. A coil has a rule of its own, open contacts carry the voltage of their supply, and
    a transformer's primary belongs to the line.
    """
    entry = point.point_readings
    latest, most = entry.latest, most_control_volts(entry)
    if latest is None or most is None or "coil" in entry.point.component.lower():
        return UNKNOWN
    volts = latest.estimate.value if latest.estimate else LEAST_LINE_VOLTS  # an overload is above any control voltage
    text = f"{describe_point(entry)} reads {latest.text}, and at most {most} belong there."
    return make_evidence(volts >= LEAST_LINE_VOLTS, text, latest)


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
    text = "One reading is within its limits and another is not, but a part does not repair itself."
    return make_evidence(Verdict.WITHIN in verdicts and bool(FAILED_VERDICTS.intersection(verdicts)), text, *readings)


@fact(MeasuredPoint, "the newest reading is the one within limits")
def _within_at_last(point: MeasuredPoint) -> Evidence:
    """The newest reading is within its limits and an earlier one is not."""
    *earlier, newest = [reading.verdict for reading in point.point_readings.matching_readings] or [None]
    if not earlier:
        return UNKNOWN
    return make_evidence(
        newest is Verdict.WITHIN and any(verdict is not Verdict.WITHIN for verdict in earlier),
        "The newest reading is the one within its limits.",
        point.point_readings.latest,
    )


@fact(MeasuredPoint, "a replacement in between would explain it")
def _replaced_in_between(point: MeasuredPoint) -> Evidence:
    """No replacement is recorded, and at a part that may be replaced every reading up to one is clearly outside its
    limits and every later one clearly within. That is a question, not a cause. Or it is a voltage of a live circuit in
    which a part was replaced.
    """
    readings = point.point_readings
    changed = readings.point.state is CircuitState.ENERGIZED and any(
        entry.replacement for entry in point.case.point_readings
    )
    return make_evidence(changed or jumped_to_within(readings) is not None, "", readings.latest)


@fact(MeasuredPoint, "it is a current, which follows the load")
def _follows_the_load(point: MeasuredPoint) -> Evidence:
    """Amps change with the load, the weather and the minutes since the start, and a clamp has no contact."""
    return make_evidence(point.point_readings.point.quantity is Quantity.CURRENT, "", point.point_readings.latest)


@fact(MeasuredPoint, "its part was replaced, and the new one is outside its limits")
def _new_part_outside(point: MeasuredPoint) -> Evidence:
    """Isolated, the newest reading of a part that was fitted at this visit is outside its limits, open or shorted."""
    readings, latest = point.point_readings, point.point_readings.latest
    if readings.replacement is None or latest is None or readings.point.state is not CircuitState.ISOLATED:
        return DOES_NOT_HOLD
    compared = before_and_after(readings.point.kind, readings.latest_before, latest)
    text = f"{describe_point(readings)} read {compared} the replacement."
    return make_evidence(latest.verdict in FAILED_VERDICTS, text, latest)


@fact(MeasuredPoint, "the new part reads the same as the old one")
def _new_reads_like_old(point: MeasuredPoint) -> Evidence:
    """The readings before and after the replacement agree: the meter, the leads or the wires are common to both."""
    before, latest = point.point_readings.latest_before, point.point_readings.latest
    if before is None or latest is None:
        return UNKNOWN
    return make_evidence(
        readings_agree(before, latest) is True, f"The old part read the same, {before.text}.", before, latest
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


@fact(WholeVisit, "a meter's battery was low")
def _battery(visit: WholeVisit) -> Evidence:
    """The meter showed its low-battery sign with an accepted reading."""
    low = [reading for reading in visit.case.observations if reading.low_battery]
    meters = " and ".join(dict.fromkeys(reading.meter or "The meter" for reading in low))
    return make_evidence(bool(low), f"{meters} showed a low battery in {len(low)} of the accepted readings.", *low)

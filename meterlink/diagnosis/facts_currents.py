"""Facts about the amps of a running motor, with the supply, the capacitors and the contacts behind them."""

from meterlink.core.verdicts import Margin, Verdict
from meterlink.diagnosis.closed_paths import ClosedPath
from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, fact, make_evidence, make_positive_evidence
from meterlink.diagnosis.facts_readings import describe_point
from meterlink.diagnosis.likelihood import agree
from meterlink.diagnosis.motor_pairs import is_other_motor_pair
from meterlink.diagnosis.observations import Observation, PointReadings, is_in_doubt
from meterlink.diagnosis.running_motors import RunningMotor, coil_of_contacts, run_capacitor_currents
from meterlink.diagnosis.subjects import ContactorContacts, MotorWindings
from meterlink.diagnosis.supply_state import find_line_fall, good_line_supply, low_line_supply, newest_line_supplies
from meterlink.diagnosis.three_phase_windings import ThreePhaseWindings
from meterlink.diagnosis.voltage_levels import VoltageLevel, voltage_level

# A nameplate's locked-rotor amps beside the reading are about 10 to 1 for a rotor that stands still; several times the
# rated amps alone are not. Common practice, no source.
_MARKED_WEIGHT = 2
# A compressor starts at about three quarters of its rated voltage, with 0.75² = 56 % of its torque. Common practice, no
# source.
_TOO_WEAK_SHARE = 0.7
# A fan draws most of its rated amps, as its load does not change; its auxiliary winding alone draws about half of them.
# Common practice, no source.
_MOST_WITHOUT_RUN_WINDING = 0.6


@fact(RunningMotor, "it draws the current of a locked rotor")
def _locked(motor: RunningMotor) -> Evidence:
    """Its amps are 70 % of its marked locked-rotor amps or more, which weighs 10 to 1. Where these are not entered: a
    compressor draws four times its rated amps or more. A sound start lasts less than a second, and a reading that lasts
    is accepted.
    """
    locked = motor.locked_rotor
    if locked is None:
        return UNKNOWN if motor.rated_amps is None and motor.locked_amps is None else DOES_NOT_HOLD
    return Evidence(
        holds=True,
        text=locked.text,
        reading_numbers=frozenset(reading.number for reading in locked.readings),
        weight=_MARKED_WEIGHT if locked.marked else 0,
    )


@fact(RunningMotor, "it draws more than its rated amps")
def _above_rated(motor: RunningMotor) -> Evidence:
    """Its amps are above the limit of its test point (RLA, FLA), and not those of a locked rotor."""
    latest = motor.highest.latest
    if latest is None or latest.judgement is None or latest.judgement.limits is None:
        return UNKNOWN
    limits, digits = latest.judgement.limits, latest.judgement.digits
    above = limits.high is not None and (
        digits > limits.high if digits is not None else latest.verdict is Verdict.OUTSIDE
    )
    text = f"{describe_point(motor.highest)}: {latest.judgement.reason}"
    return make_evidence(above and motor.locked_rotor is None, text, latest)


@fact(RunningMotor, "its amps are a close call")
def _close(motor: RunningMotor) -> Evidence:
    """The meter's error may reach across the limit of its amps."""
    latest = motor.highest.latest
    close = latest is not None and is_in_doubt(latest)
    return make_evidence(close, f"{describe_point(motor.highest)} is a close call for this meter.", latest)


@fact(RunningMotor, "it draws no current")
def _draws_nothing(motor: RunningMotor) -> Evidence:
    """The newest reading of every lead that was read is less than the meter can show."""
    listed = ", ".join(f"{describe_point(lead)} reads {lead.latest.text}" for lead in motor.leads if lead.latest)
    return make_evidence(motor.draws_nothing, f"{listed}: no current that this meter can show.", *motor.readings)


@fact(RunningMotor, "one of its leads carries no current, and the others do")
def _dead_lead(motor: RunningMotor) -> Evidence:
    """Of three leads two carry about the same current, and the third at most 15 % of it."""
    if len(motor.readings) < 3:
        return UNKNOWN
    listed = ", ".join(f"{lead.terminals_text} {lead.latest.text}" for lead in motor.leads if lead.latest)
    return make_evidence(motor.dead_lead is not None, f"Its leads carry {listed}.", *motor.readings)


@fact(RunningMotor, "it draws far less than its rated amps")
def _idle(motor: RunningMotor) -> Evidence:
    """Its amps are below 40 % of its rated amps by more than the meter's error, and not nothing."""
    if motor.rated_amps is None:
        return UNKNOWN
    latest = motor.highest.latest
    text = f"{describe_point(motor.highest)} reads {latest.text if latest else ''}, of {motor.rated_amps:g} A rated."
    return make_evidence(motor.is_idle, text, latest)


# Its capacitors


@fact(RunningMotor, "a capacitor of its circuit is weak or open")
def capacitor_low(motor: RunningMotor) -> Evidence:
    """The newest reading of a capacitor section in its circuit is below its low limit, by more than the meter's error,
    or open.
    """
    for section in motor.capacitors:
        latest = section.latest
        if latest is not None and _is_weak(latest):
            reason = latest.judgement.reason if latest.judgement else ""
            return make_positive_evidence(f"{describe_point(section)}: {reason}", latest)
    return DOES_NOT_HOLD if motor.capacitors else UNKNOWN


def _is_weak(latest: Observation) -> bool:
    judgement = latest.judgement
    if judgement is None or judgement.limits is None or judgement.limits.low is None or judgement.digits is None:
        return False
    clear = judgement.verdict is Verdict.OPEN or judgement.margin is Margin.CLEAR
    return clear and judgement.digits < judgement.limits.low


@fact(RunningMotor, "a capacitor of its circuit is too weak to start it")
def _capacitor_too_weak(motor: RunningMotor) -> Evidence:
    """The newest reading of a capacitor section in its circuit is below 70 % of its rating: as much is left of the
    starting torque, which goes with its current. A section a little below its limit does not stop a start.
    """
    for section in motor.capacitors:
        latest = section.latest
        judgement = latest.judgement if latest else None
        if latest is None or judgement is None or judgement.limits is None or judgement.digits is None:
            continue
        rated = judgement.limits.nominal
        if rated and float(judgement.digits) < _TOO_WEAK_SHARE * float(rated):
            share = float(judgement.digits) / float(rated)
            return make_positive_evidence(f"{latest.text} is {share:.0%} of its rating.", latest)
    return DOES_NOT_HOLD if motor.capacitors else UNKNOWN


@fact(RunningMotor, "its capacitors read within their limits")
def _capacitors_good(motor: RunningMotor) -> Evidence:
    """Every capacitor section in its circuit that was read is within its limits; of a motor with three leads none is
    expected.
    """
    if len(motor.leads) > 1:
        return DOES_NOT_HOLD
    readings = [section.latest for section in motor.capacitors if section.latest]
    if not readings:
        return UNKNOWN
    listed = ", ".join(
        f"{describe_point(section)} reads {section.latest.text}" for section in motor.capacitors if section.latest
    )
    holds = all(reading.verdict is Verdict.WITHIN for reading in readings)
    return make_evidence(holds, f"{listed}: within limits.", *readings)


@fact(RunningMotor, "all of its current flows in its capacitor")
def _all_in_capacitor(motor: RunningMotor) -> Evidence:
    """It is a fan and draws less than 60 % of its rated amps, the same as its run capacitor's lead within the meter's
    error: nothing is left for its run winding. A compressor or a blower may read so without load, when the currents of
    its two windings are more than a quarter of a period apart; the load of a fan is always there.
    """
    leads = [lead for lead in run_capacitor_currents(motor.case, motor.circuit) if lead.latest]
    own = motor.highest.latest
    rated = motor.rated_amps
    if not motor.is_fan or rated is None or not leads or own is None or own.estimate is None:
        return UNKNOWN
    lead = leads[0].latest
    if motor.draws_nothing or lead is None or lead.estimate is None or lead.verdict is Verdict.NOTHING_FLOWS:
        return DOES_NOT_HOLD
    text = f"{describe_point(motor.highest)} reads {own.text}, and {describe_point(leads[0])} {lead.text}: all of it."
    less = own.estimate.value + own.estimate.expanded_uncertainty < _MOST_WITHOUT_RUN_WINDING * rated
    return make_evidence(less and agree(own.estimate, lead.estimate), text, own, lead)


# Its supply


@fact(RunningMotor, "the line supply is low")
def _line_low(motor: RunningMotor) -> Evidence:
    """The newest voltage of a line supply is below its low limit, but not almost zero."""
    if not newest_line_supplies(motor.case):
        return UNKNOWN
    low = low_line_supply(motor.case)
    return make_positive_evidence(_reads(low), low.latest) if low else DOES_NOT_HOLD


@fact(RunningMotor, "the line supply fell under load")
def _line_falls(motor: RunningMotor) -> Evidence:
    """The line voltage fell by more than 5 % and the meter's error from one test point to a later one: a locked rotor
    pulls a sound supply down, too.
    """
    fall = find_line_fall(motor.case)
    if fall is None:
        return UNKNOWN
    text = f"{describe_point(fall.after)} fell by {fall.volts:.3g} V under load."
    return make_positive_evidence(text, *fall.readings)


@fact(RunningMotor, "the line supply is low or fell under load")
def _line_poor(motor: RunningMotor) -> Evidence:
    """The newest voltage of a line supply is below its low limit, or it fell by more than 5 % under load."""
    low, falls = _line_low(motor), _line_falls(motor)
    return falls if falls.holds and not low.holds else low


@fact(RunningMotor, "the line supply is within its limits")
def _line_good(motor: RunningMotor) -> Evidence:
    """The newest voltages of every line supply are within their limits."""
    if not newest_line_supplies(motor.case):
        return UNKNOWN
    good = good_line_supply(motor.case)
    return make_positive_evidence(f"{_reads(good)} That is within its limits.", good.latest) if good else DOES_NOT_HOLD


@fact(RunningMotor, "the line supply has voltage")
def _line_present(motor: RunningMotor) -> Evidence:
    """The newest voltage of no line supply is almost zero."""
    supplies = newest_line_supplies(motor.case)
    if not supplies:
        return UNKNOWN
    present = all(voltage_level(supply) in {VoltageLevel.LOW, VoltageLevel.PRESENT} for supply in supplies)
    return make_evidence(present, _reads(supplies[0]), supplies[0].latest)


def _reads(entry: PointReadings) -> str:
    return f"{describe_point(entry)} reads {entry.latest.text if entry.latest else ''}."


@fact(RunningMotor, "another motor of the unit draws current")
def _other_runs(motor: RunningMotor) -> Evidence:
    """A motor in another circuit of the unit draws current: supply and call are there."""
    other = motor.other_running
    return make_positive_evidence(_reads(other), other.latest) if other else UNKNOWN


@fact(RunningMotor, "a control may have stopped it")
def _may_rest(motor: RunningMotor) -> Evidence:
    """It is a fan: a defrost, a fan control or a second stage stops one while the compressor runs (common practice)."""
    text = "A defrost or a fan control may have stopped the fan."
    return make_evidence(motor.is_fan, text, *motor.readings)


@fact(RunningMotor, "voltage reaches the contactor's coil")
def _coil_present(motor: RunningMotor) -> Evidence:
    """The newest voltage at a contactor's coil is present."""
    return _coil_is(motor, VoltageLevel.PRESENT, "the contactor should have pulled in")


@fact(RunningMotor, "no voltage reaches the contactor's coil")
def _coil_absent(motor: RunningMotor) -> Evidence:
    """The newest voltage at a contactor's coil is almost zero."""
    return _coil_is(motor, VoltageLevel.ABSENT, "the contactor is not energized")


def _coil_is(motor: RunningMotor, expected: VoltageLevel, conclusion: str) -> Evidence:
    coil = coil_of_contacts(motor.case)
    level = voltage_level(coil) if coil else None
    if coil is None or coil.latest is None or level is None:
        return UNKNOWN
    text = f"{describe_point(coil)} reads {coil.latest.text}: {conclusion}."
    return make_evidence(level is expected, text, coil.latest)


@fact(RunningMotor, "the contacts before it were read")
def _contacts_read(motor: RunningMotor) -> Evidence:
    """The voltage across contacts in its circuit was read, or contacts of the unit carry most of the supply, and so are
    open: other rules say which part is open.
    """
    if not newest_line_supplies(motor.case):
        return UNKNOWN
    for contacts in ContactorContacts.find_all(motor.case):
        entry = contacts.point_readings
        if entry.point.circuit == motor.circuit or ClosedPath(motor.case, entry).carries_supply:
            return make_positive_evidence(_reads(entry), entry.latest)
    return DOES_NOT_HOLD


# Its windings


@fact(RunningMotor, "a winding of it reads open, shorted or outside its limits")
def winding_bad(motor: RunningMotor) -> Evidence:
    """A pair of its terminals reads overload, a short or a value outside its limits; or three phases are not equal."""
    bad = {Verdict.OUTSIDE, Verdict.OPEN, Verdict.SHORTED}
    named = [pair for windings in MotorWindings.find_all(motor.case) for pair in windings.pairs.values()]
    others = [entry for entry in motor.case.point_readings if is_other_motor_pair(entry.point)]
    pairs = [pair for pair in (*named, *others) if pair.point.circuit == motor.circuit and pair.latest is not None]
    for pair in pairs:
        if pair.latest is not None and (pair.latest.verdict in bad or pair.latest.measured.digits is None):
            return make_positive_evidence(_reads(pair), pair.latest)
    three = [
        entry for entry in ThreePhaseWindings.find_all(motor.case) if entry.pairs[0].point.circuit == motor.circuit
    ]
    for windings in three:
        result = windings.result
        if result is not None and result.verdict in bad:
            return make_positive_evidence(result.reason, *windings.latest)
    return DOES_NOT_HOLD if pairs or three else UNKNOWN

"""Facts about the whole visit: the line supply, and the control supply that it feeds."""

from math import exp, pi, sqrt

from meterlink.core.verdicts import Margin
from meterlink.diagnosis.closed_paths import ClosedPath
from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, fact, make_evidence, make_positive_evidence
from meterlink.diagnosis.facts_readings import describe_point
from meterlink.diagnosis.likelihood import coincidence_weight, faulty_part_density
from meterlink.diagnosis.observations import PointReadings
from meterlink.diagnosis.running_motors import RunningMotor
from meterlink.diagnosis.subjects import Coil, WholeVisit, is_control_supply, is_transformer_primary
from meterlink.diagnosis.supply_legs import NO_SUPPLY_VOLTS, SupplyLegs
from meterlink.diagnosis.supply_state import fed_control_supply, find_line_fall, newest_line_supplies
from meterlink.diagnosis.voltage_levels import VoltageLevel, voltage_level
from meterlink.judge.estimates import Estimate

# Two voltages are low together if their shares of nominal differ by at most this much. Common practice, no source.
_SAME_SHARE = 0.05

# A line counts as one of these nominal voltages within ANSI C84.1 Range A, ±5 % (seen quoted).
_TAPS = (208.0, 240.0)  # V
_SERVICE_SHARE = 0.05
# A 24 V transformer has 24 V at its rated load, and 28 V at most without one, at the rated voltage of its tap. In
# service most have 25.5 V, with a spread of 1 V. Common practice, no source.
_RATED_VOLTS, _UNLOADED_VOLTS = 24.0, 28.0
_SERVICE_VOLTS, _SERVICE_SPREAD = 25.5, 1.0


@fact(WholeVisit, "the line supply reads below its low limit")
def _line_low(visit: WholeVisit) -> Evidence:
    """The newest line voltage is below its low limit, but not almost zero."""
    return _worst_level_is(visit, VoltageLevel.LOW)


@fact(WholeVisit, "the line voltages show a lost line")
def _line_lost(visit: WholeVisit) -> Evidence:
    """Of three line-to-line voltages two are far below the third and together make it: they have one line in common,
    which is lost. A motor that runs holds the voltage of a lost line near normal, so it may not show.
    """
    supplies = {frozenset(supply.point.terminals): supply for supply in visit.line_supplies}
    if len(supplies) < 3:
        return UNKNOWN
    listed = ", ".join(f"{supply.terminals_text} {_text_of(supply)}" for supply in supplies.values())
    text = f"{listed}: {visit.lost_line} has no voltage of its own."
    return make_evidence(visit.lost_line is not None, text, *(supply.latest for supply in supplies.values()))


@fact(WholeVisit, "the line supply reads almost zero")
def _line_absent(visit: WholeVisit) -> Evidence:
    """The newest line voltage is below a fifth of its low limit (below 2 V without limits)."""
    return _worst_level_is(visit, VoltageLevel.ABSENT)


@fact(WholeVisit, "some of the supply has voltage")
def _partly_present(visit: WholeVisit) -> Evidence:
    """The newest voltage of another line is not almost zero, or a leg has more than 25 V to ground."""
    for entry in newest_line_supplies(visit.case):
        other = entry is not visit.worst_line_supply
        if other and voltage_level(entry) in {VoltageLevel.LOW, VoltageLevel.PRESENT}:
            text = f"{describe_point(entry)} reads {entry.latest.text if entry.latest else ''}."
            return make_positive_evidence(text, entry.latest)
    for legs in SupplyLegs.find_all(visit.case):
        for reading in legs.leg_readings:
            if reading.estimate and abs(reading.estimate.value) > NO_SUPPLY_VOLTS:
                return make_positive_evidence(f"A leg reads {reading.text} to ground.", reading)
    return DOES_NOT_HOLD


@fact(WholeVisit, "every leg was read to ground")
def _legs_read(visit: WholeVisit) -> Evidence:
    """Every leg of the supply has a reading to ground: the rules about supply legs say more."""
    for legs in SupplyLegs.find_all(visit.case):
        if legs.finding is not None:
            return make_positive_evidence("Every leg was read to ground.", *legs.leg_readings)
    return DOES_NOT_HOLD


@fact(WholeVisit, "the line supply fell under load")
def _line_falls(visit: WholeVisit) -> Evidence:
    """Between the same two terminals, the line voltage fell by more than 5 % and the meter's error from one test point
    to a later one, and is not gone. 5 % is the most on feeder and branch circuit (NEC, informational notes to 210.19(A)
    and 215.2(A), seen quoted).
    """
    if len(visit.line_supplies) < 2:
        return UNKNOWN
    fall = find_line_fall(visit.case)
    if fall is None:
        return DOES_NOT_HOLD
    first, later = (reading.text if reading else "" for reading in fall.readings)
    text = (
        f"{describe_point(fall.before)} read {first} and later {later}: {fall.volts:.3g} V or {fall.percent:.1f} % are"
        " lost under load, and at most 5 % should be."
    )
    return make_positive_evidence(text, *fall.readings)


@fact(WholeVisit, "a motor draws its locked-rotor current")
def _locked_rotor(visit: WholeVisit) -> Evidence:
    """The amps of a motor are near those of a locked rotor, five times its running amps and more: they pull a sound
    supply down, too.
    """
    for motor in RunningMotor.find_all(visit.case):
        locked = motor.locked_rotor
        if locked is not None:
            return make_positive_evidence(f"{locked.text} That alone pulls a sound supply down.", *locked.readings)
    return DOES_NOT_HOLD


# The voltages along the way add up to the fall (Kirchhoff); this share allows for those that were not read, and for
# readings at two moments. Common practice, no source.
_WHOLE_FALL_SHARE = 0.75


@fact(WholeVisit, "the voltages along the way explain the fall")
def _found_along_the_way(visit: WholeVisit) -> Evidence:
    """The voltages across fuses, breaker poles, disconnect blades and contactor poles add up to 75 % or more of the
    voltage that is lost under load.
    """
    paths = [path for path in ClosedPath.find_all(visit.case) if path.share_of_fall is not None]
    if not paths:
        return UNKNOWN
    listed = ", ".join(f"{describe_point(path.point_readings)} {_text_of(path.point_readings)}" for path in paths)
    holds = sum(path.share_of_fall or 0.0 for path in paths) >= _WHOLE_FALL_SHARE
    return make_evidence(holds, f"Along the way: {listed}.", *(path.point_readings.latest for path in paths))


def _text_of(point_readings: PointReadings) -> str:
    return point_readings.latest.text if point_readings.latest else ""


def _worst_level_is(visit: WholeVisit, expected: VoltageLevel) -> Evidence:
    """Return whether the worst line supply has the level; the readings of all with that level are the evidence."""
    worst = visit.worst_line_supply
    evidence = _level_is(worst, expected)
    if not evidence.holds:
        return evidence
    alike = [supply for supply in visit.line_supplies if supply is not worst and voltage_level(supply) is expected]
    others = " and ".join(f"{describe_point(supply)} reads {_text_of(supply)}" for supply in alike)
    text = f"{evidence.text.removesuffix('.')}; {others}." if others else evidence.text
    return make_positive_evidence(text, worst.latest if worst else None, *(supply.latest for supply in alike))


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


@fact(WholeVisit, "the control supply from this line is low by the same percentage")
def _control_low_alike(visit: WholeVisit) -> Evidence:
    """Line and control voltage are both below nominal, at percentages of nominal that differ by at most 5, and the
    control transformer is in this unit. That of a split system is in the indoor unit, on a circuit of its own.
    """
    control_supply = fed_control_supply(visit.case)
    line, control = _share_of_nominal(visit.worst_line_supply), _share_of_nominal(control_supply)
    if line is None or control is None or visit.worst_line_supply is None or control_supply is None:
        return UNKNOWN
    text = (
        f"{describe_point(visit.worst_line_supply)} is at {line:.0%} of nominal and"
        f" {describe_point(control_supply)} at {control:.0%}."
    )
    holds = line < 1 and control < 1 and abs(line - control) <= _SAME_SHARE
    return make_evidence(holds, text, visit.worst_line_supply.latest, control_supply.latest)


@fact(WholeVisit, "the control supply from this line has voltage")
def _control_present(visit: WholeVisit) -> Evidence:
    """The newest control voltage is not almost zero, and the control transformer is in this unit. That of a split
    system is in the indoor unit, on a circuit of its own.
    """
    control_supply = fed_control_supply(visit.case)
    level = None if control_supply is None else voltage_level(control_supply)
    if control_supply is None or control_supply.latest is None or level is None:
        return UNKNOWN
    text = f"{describe_point(control_supply)} reads {control_supply.latest.text}, and its transformer is in this unit."
    return make_evidence(level is not VoltageLevel.ABSENT, text, control_supply.latest)


def _share_of_nominal(point_readings: PointReadings | None) -> float | None:
    latest, limits = (point_readings.latest, point_readings.limits) if point_readings else (None, None)
    if latest is None or latest.judgement is None or latest.judgement.digits is None:
        return None
    return float(latest.judgement.digits / limits.nominal) if limits and limits.nominal else None


# The tap of the control transformer


@fact(WholeVisit, "the control supply is as low as from the 240 V tap on 208 V")
def _low_tap(visit: WholeVisit) -> Evidence:
    """The line has 208 V (within 5 %), and the transformer's secondary is below 24 V in proportion to the line by more
    than the meter's error, as one is whose line is on the 240 V tap: 24·208/240 = 20.8 V. Its weight compares that with
    an overloaded transformer.
    """
    return _tap_evidence(visit, line=208.0, tap=240.0)


@fact(WholeVisit, "the control supply is as high as from the 208 V tap on 240 V")
def _high_tap(visit: WholeVisit) -> Evidence:
    """The line has 240 V (within 5 %), and the transformer's secondary is as high as one whose line is on the 208 V
    tap: 24·240/208 = 27.7 V and more. Its weight compares that with a sound transformer without load.
    """
    return _tap_evidence(visit, line=240.0, tap=208.0)


@fact(WholeVisit, "the control supply is higher than without any load")
def _above_unloaded(visit: WholeVisit) -> Evidence:
    """The transformer's secondary is above 28 V in proportion to a line of 240 V, by more than the meter's error."""
    found = _line_and_secondary(visit, 240.0)
    if found is None:
        return UNKNOWN
    line_supply, line, secondary, volts = found
    most = _UNLOADED_VOLTS * line.value / 240.0
    text = f"A sound 24 V transformer without any load has {most:.3g} V at most on this line."
    return make_evidence(volts.value - volts.expanded_uncertainty > most, text, line_supply.latest, secondary.latest)


def _line_and_secondary(
    visit: WholeVisit, nominal: float
) -> tuple[PointReadings, Estimate, PointReadings, Estimate] | None:
    """Return the line of this nominal voltage and the secondary that it feeds, each with its value in V."""
    secondary = fed_control_supply(visit.case)
    if secondary is None or secondary.latest is None or not is_control_supply(secondary.point):
        return None
    for supply in newest_line_supplies(visit.case):
        line = supply.latest.estimate if supply.latest else None
        volts = secondary.latest.estimate
        if line and volts and abs(line.value - nominal) <= _SERVICE_SHARE * nominal:
            return supply, line, secondary, volts
    return None


def _tap_evidence(visit: WholeVisit, *, line: float, tap: float) -> Evidence:
    found = _line_and_secondary(visit, line)
    if found is None:
        return UNKNOWN
    supply, line_volts, secondary, volts = found
    right, wrong = line_volts.value / line, line_volts.value / tap
    if wrong < right and volts.value + volts.expanded_uncertainty >= _RATED_VOLTS * right:
        return DOES_NOT_HOLD
    rivals = _rival_density(volts, right)
    weight = coincidence_weight(_in_service(volts, wrong), rivals)
    ratio = f"{_RATED_VOLTS:g}·{line_volts.value:.0f}/{tap:.0f}"
    text = (
        f"{describe_point(supply)} reads {supply.latest.text if supply.latest else ''} and {describe_point(secondary)}"
        f" {secondary.latest.text if secondary.latest else ''}: on the {tap:.0f} V tap a 24 V transformer has"
        f" {ratio} = {_RATED_VOLTS * wrong:.1f} V at its rated load, and more with less."
    )
    return make_evidence(weight is not None, text, supply.latest, secondary.latest, weight=weight or 0)


def _in_service(volts: Estimate, scale: float) -> float:
    """Return the density, 1/V, at ``volts`` of a sound transformer in service, at ``scale`` times its tap's voltage."""
    spread = sqrt((_SERVICE_SPREAD * scale) ** 2 + volts.standard_uncertainty**2)
    return exp(-(((volts.value - _SERVICE_VOLTS * scale) / spread) ** 2) / 2) / (spread * sqrt(2 * pi))


def _rival_density(volts: Estimate, right: float) -> float:
    """Return the density, 1/V, at ``volts`` of a transformer on the right tap, sound or faulty."""
    share, low, high = volts.value / (_RATED_VOLTS * right), 1.0, _UNLOADED_VOLTS / _RATED_VOLTS
    faulty = 0.0 if low <= share <= high else faulty_part_density(share, low, high) / (_RATED_VOLTS * right)
    return max(_in_service(volts, right), faulty)


@fact(WholeVisit, "each leg has half of the line voltage to ground")
def _half_to_ground(visit: WholeVisit) -> Evidence:
    """Two legs read half of the line voltage to ground each, as on a 120/240 V service; on a 208 V service each leg has
    120 V, 208/√3 (textbook).
    """
    return _leg_share_is(visit, 0.5, "half of the line voltage, as on a 120/240 V service that is low")


@fact(WholeVisit, "each leg has 1/√3 of the line voltage to ground")
def _wye_to_ground(visit: WholeVisit) -> Evidence:
    """The legs read the line voltage by √3 to ground, 120 V of 208 V: a three-phase service in wye (textbook)."""
    return _leg_share_is(visit, 1 / sqrt(3), "the line voltage by √3, as on a 208 V service")


# 1/2 and 1/√3 differ by 15 %: half of that, less the meter's error. Common practice, no source.
_SAME_LEG_SHARE = 0.05


def _leg_share_is(visit: WholeVisit, expected: float, description: str) -> Evidence:
    for legs in SupplyLegs.find_all(visit.case):
        values = [reading.estimate.value for reading in legs.leg_readings if reading.estimate]
        line = legs.line_estimate
        if len(values) < 2 or line is None:
            continue
        holds = all(abs(value - expected * line.value) <= _SAME_LEG_SHARE * line.value * expected for value in values)
        listed = " and ".join(reading.text for reading in legs.leg_readings)
        return make_evidence(holds, f"To ground the legs read {listed}: {description}.", *legs.leg_readings)
    return UNKNOWN


# The control transformer, where no coil was read: the rules about a coil say more.


@fact(WholeVisit, "the control transformer's secondary has no voltage")
def _secondary_absent(visit: WholeVisit) -> Evidence:
    """The newest voltage at a control transformer's secondary is almost zero."""
    supply = visit.control_supply
    at_source = supply is not None and is_control_supply(supply.point)
    return _level_is(supply if at_source else None, VoltageLevel.ABSENT)


@fact(WholeVisit, "the control transformer's primary has voltage")
def _primary_present(visit: WholeVisit) -> Evidence:
    """The newest voltage at a control transformer's primary is not almost zero."""
    primaries = [entry for entry in visit.case.point_readings if entry.latest and is_transformer_primary(entry.point)]
    levels = [(entry, voltage_level(entry)) for entry in primaries]
    if not levels or levels[-1][1] is None:
        return UNKNOWN
    primary, level = levels[-1]
    text = f"{describe_point(primary)} reads {_text_of(primary)}."
    return make_evidence(level is not VoltageLevel.ABSENT, text, primary.latest)


@fact(WholeVisit, "a coil of the control circuit was read")
def _coil_read(visit: WholeVisit) -> Evidence:
    """A coil in the circuit of the control supply has a reading: the rules about a coil say more."""
    supply = visit.control_supply
    coils = [coil for coil in Coil.find_all(visit.case) if supply and coil.control_supply is supply]
    return make_evidence(bool(coils), "A coil was read.")

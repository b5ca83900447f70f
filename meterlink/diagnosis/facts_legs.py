"""Facts about the legs of the supply: the voltage of each to ground and to the neutral."""

from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, fact, make_evidence, make_positive_evidence
from meterlink.diagnosis.facts_readings import describe_point
from meterlink.diagnosis.supply_legs import LegPattern, SupplyLegs
from meterlink.diagnosis.supply_state import find_line_fall


def _pattern_is(legs: SupplyLegs, pattern: LegPattern, conclusion: str) -> Evidence:
    finding = legs.finding
    if finding is None:
        return UNKNOWN
    return make_evidence(finding.pattern is pattern, f"{_listed(legs)}: {conclusion}", *finding.readings)


def _listed(legs: SupplyLegs) -> str:
    entries = [*legs.to_ground.values(), *legs.between.values()]
    return ", ".join(f"{entry.terminals_text} reads {entry.latest.text}" for entry in entries if entry.latest)


@fact(SupplyLegs, "one leg has no voltage of its own")
def _leg_open(legs: SupplyLegs) -> Evidence:
    """One leg reads less than a fourth of the others to ground, and the line voltage does not fit a grounded leg; with
    three phases, the voltages between the legs name the same leg.
    """
    leg = legs.finding.leg if legs.finding else ""
    return _pattern_is(legs, LegPattern.LEG_OPEN, f"{leg} has no voltage of its own.")


@fact(SupplyLegs, "two legs have voltage to ground and none between them")
def _fed_back(legs: SupplyLegs) -> Evidence:
    """Two legs read to ground, and less than a fourth of that between them: they are one leg, through the load."""
    return _pattern_is(legs, LegPattern.FED_BACK, "two of them are one leg, joined by the load.")


@fact(SupplyLegs, "one leg is lower than the other")
def _leg_low(legs: SupplyLegs) -> Evidence:
    """One leg reads more than 10 % lower to ground than the others, which are as they should be."""
    leg = legs.finding.leg if legs.finding else ""
    return _pattern_is(legs, LegPattern.LEG_LOW, f"{leg} is low.")


@fact(SupplyLegs, "the ground is not in the middle of the legs")
def _ground_moved(legs: SupplyLegs) -> Evidence:
    """Two legs add up to the voltage between them, but differ by more than 10 %, and one has more than 132 V."""
    return _pattern_is(legs, LegPattern.GROUND_MOVED, "the two add up, and the ground is not between them.")


@fact(SupplyLegs, "no leg has voltage to ground, though there is voltage between them")
def _no_ground(legs: SupplyLegs) -> Evidence:
    """Every leg reads less than 25 V to ground, and the voltage between legs is more than 50 V."""
    return _pattern_is(legs, LegPattern.NO_GROUND, "these voltages have no common ground.")


@fact(SupplyLegs, "one leg is at ground, and the others have the full line voltage to it")
def _leg_grounded(legs: SupplyLegs) -> Evidence:
    """One leg reads less than a fourth of the others to ground, the others the line voltage (within 10 %), and the
    voltages between the legs are within their limits.
    """
    leg = legs.finding.leg if legs.finding else ""
    return _pattern_is(legs, LegPattern.LEG_GROUNDED, f"{leg} has the same potential as the point touched as ground.")


@fact(SupplyLegs, "the voltages to ground fit no supply")
def _unclear(legs: SupplyLegs) -> Evidence:
    """They fit neither a sound supply (half of the line voltage, the line voltage by √3, a high leg) nor one of the
    faults above.
    """
    return _pattern_is(legs, LegPattern.UNCLEAR, "they fit neither a sound supply nor one fault of it.")


@fact(SupplyLegs, "a third leg was read")
def _three_phase(legs: SupplyLegs) -> Evidence:
    """The voltage of L3 was read, to ground or to another leg."""
    return make_evidence(legs.is_three_phase, "The supply has three phases.", *legs.leg_readings)


@fact(SupplyLegs, "the neutral has lost its connection")
def _neutral(legs: SupplyLegs) -> Evidence:
    """The two voltages to the neutral add up to that between the legs, differ by more than 10 %, and one is above
    132 V; or a leg has voltage to ground and none to the neutral.
    """
    readings = legs.neutral_finding
    if not readings:
        return DOES_NOT_HOLD if legs.to_neutral else UNKNOWN
    entries = [*legs.to_neutral.values(), *legs.to_ground.values()]
    listed = ", ".join(f"{entry.terminals_text} reads {entry.latest.text}" for entry in entries if entry.latest)
    return make_positive_evidence(f"{listed}: the neutral floats.", *readings)


@fact(SupplyLegs, "the line has voltage to the neutral and none to ground")
def _exchanged(legs: SupplyLegs) -> Evidence:
    """The only leg has more than 25 V to the neutral, and less than a fourth of that to ground."""
    readings = legs.exchanged_finding
    if not readings:
        return DOES_NOT_HOLD if legs.to_neutral and legs.to_ground else UNKNOWN
    entries = [*legs.to_neutral.values(), *legs.to_ground.values()]
    listed = ", ".join(f"{entry.terminals_text} reads {entry.latest.text}" for entry in entries if entry.latest)
    return make_positive_evidence(f"{listed}.", *readings)


@fact(SupplyLegs, "the line supply fell under load")
def _line_falls(legs: SupplyLegs) -> Evidence:
    """The line voltage fell by more than 5 % and the meter's error from one test point to a later one."""
    fall = find_line_fall(legs.case)
    if fall is None:
        return UNKNOWN
    text = f"{describe_point(fall.after)} fell by {fall.volts:.3g} V under load."
    return make_positive_evidence(text, *fall.readings)

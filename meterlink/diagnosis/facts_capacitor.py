"""Facts about one section of a run capacitor."""

from decimal import Decimal

from meterlink.core.equipment import CircuitState
from meterlink.core.units import BASE_UNIT, Quantity, convert
from meterlink.core.verdicts import Limits, Margin, Verdict
from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, fact, make_evidence
from meterlink.diagnosis.facts_readings import describe_point, earlier_reading_agrees, readings_differ
from meterlink.diagnosis.likelihood import (
    agree,
    likelihood_weight,
    odds_text,
    rated_estimate,
    readings_agree,
    series_estimate,
)
from meterlink.diagnosis.observations import Observation
from meterlink.diagnosis.subjects import CapacitorSection
from meterlink.judge.electrical.capacitance import (
    ASSUMED_FREQUENCY_HALF_WIDTH,
    capacitance_under_load,
    other_mains_frequency,
)
from meterlink.judge.estimates import Estimate, round_significant
from meterlink.judge.judging import format_decimal

# IEC 60252-1 (the sentence was seen quoted, clause 3) counts a run capacitor as failed in its endurance test when it
# has drifted 10 % of its rated value beyond its tolerance.
_BEYOND_TOLERANCE = Decimal("0.1")

# Ohms across a sound section climb as the meter charges it, to overload or some megohms. Below 1 MΩ at rest it leaks;
# below 10 Ω it is broken through. Common practice, no source. A bleeder resistor reads the same as a leak.
_LEAK_OHMS, _SHORT_OHMS = 1e6, 10.0

# Two sections that deviate by the same share, to this many percent, share a cause. Common practice, no source.
_SAME_DEVIATION_PERCENT = Decimal(2)


def _latest(section: CapacitorSection) -> Observation:
    latest = section.point_readings.latest
    assert latest is not None  # noqa: S101  # a Section has been read
    return latest


def _digits_and_limits(section: CapacitorSection) -> tuple[Decimal, Limits] | None:
    """Return (reading, limits) in one unit where there are both and the section is not said to be open."""
    judgement = _latest(section).judgement
    if judgement is None or judgement.limits is None or judgement.digits is None or judgement.verdict is Verdict.OPEN:
        return None
    return judgement.digits, judgement.limits


def _judgement_evidence(section: CapacitorSection, holds: bool) -> Evidence:  # noqa: FBT001  # reads as a sentence
    judgement = _latest(section).judgement
    reason = judgement.reason if judgement else ""
    return make_evidence(holds, f"{describe_point(section.point_readings)}: {reason}", _latest(section))


def _capacitance_text(value: float, unit: str) -> str:
    return f"{format_decimal(round_significant(value / float(convert(Decimal(1), unit, BASE_UNIT[Quantity.CAPACITANCE])), 3))} {unit}"


def _is_outside(observation: Observation) -> bool:
    """Say whether the display is out of its limits, whatever the decision rule made of that."""
    judgement = observation.judgement
    if judgement is None or judgement.limits is None or judgement.digits is None:
        return False
    low, high = judgement.limits.low, judgement.limits.high
    return (low is not None and judgement.digits < low) or (high is not None and judgement.digits > high)


@fact(CapacitorSection, "it reads below its low limit")
def _below(section: CapacitorSection) -> Evidence:
    """The newest reading is below the rated value less its tolerance, and is not next to nothing."""
    known = _digits_and_limits(section)
    if known is None or known[1].low is None:
        return DOES_NOT_HOLD
    return _judgement_evidence(section, known[0] < known[1].low)


@fact(CapacitorSection, "it reads above its high limit")
def _above(section: CapacitorSection) -> Evidence:
    """The newest reading is above the rated value and its tolerance."""
    known = _digits_and_limits(section)
    if known is None or known[1].high is None:
        return DOES_NOT_HOLD
    return _judgement_evidence(section, known[0] > known[1].high)


@fact(CapacitorSection, "it reads within its limits")
def _within(section: CapacitorSection) -> Evidence:
    """The newest reading is within its limits; the boundary is within."""
    return _judgement_evidence(section, _latest(section).verdict is Verdict.WITHIN)


@fact(CapacitorSection, "it reads next to nothing")
def _near_zero(section: CapacitorSection) -> Evidence:
    """The newest reading is at most 2 % of the rated value."""
    return _judgement_evidence(section, _latest(section).verdict is Verdict.OPEN)


@fact(CapacitorSection, "it overloads the meter")
def _overloads(section: CapacitorSection) -> Evidence:
    """The meter shows overload on capacitance."""
    return _judgement_evidence(section, _latest(section).verdict is Verdict.SHORTED)


@fact(CapacitorSection, "it is a close call")
def _close(section: CapacitorSection) -> Evidence:
    """The meter's own uncertainty straddles the nearest limit."""
    judgement = _latest(section).judgement
    close = judgement is not None and judgement.margin is Margin.CLOSE_CALL
    return make_evidence(
        close, f"{describe_point(section.point_readings)} is a close call for this meter.", _latest(section)
    )


@fact(CapacitorSection, "it is clear of its limits")
def _clearly_outside(section: CapacitorSection) -> Evidence:
    """It is outside its limits by more than the meter's own uncertainty."""
    judgement = _latest(section).judgement
    if (
        judgement is None
        or judgement.limits is None
        or judgement.digits is None
        or judgement.expanded_uncertainty is None
    ):
        return DOES_NOT_HOLD
    text = (
        f"It is out by more than the ± {judgement.expanded_uncertainty:.2g} {judgement.limits.unit} this meter may be off by"
        f" ({judgement.accuracy})."
    )
    return make_evidence(_is_outside(_latest(section)) and judgement.margin is Margin.CLEAR, text, _latest(section))


@fact(CapacitorSection, "it is beyond the end-of-life mark")
def _end_of_life(section: CapacitorSection) -> Evidence:
    """It is below its low limit by more than 10 % of the rated value (IEC 60252-1; no start capacitor)."""
    known = _digits_and_limits(section)
    start = "start" in section.point_readings.point.component.lower()
    if known is None or known[1].low is None or known[1].nominal is None or start:
        return DOES_NOT_HOLD
    digits, limits = known
    mark = (limits.low or Decimal(0)) - (limits.nominal or Decimal(0)) * _BEYOND_TOLERANCE
    text = (
        f"{digits:f} {limits.unit} is below {format_decimal(mark)} {limits.unit}, 10 % of the rated value beyond its tolerance:"
        " where IEC 60252-1 counts a run capacitor as failed."
    )
    return make_evidence(digits < mark, text, _latest(section))


@fact(CapacitorSection, "it reads the series value of both sections")
def _reads_series_value(section: CapacitorSection) -> Evidence:
    """C1·C2/(C1 + C2), from this section's rating and the other one's reading (its rating where that is not within
    limits), agrees with the reading, and fits it at least 3 to 1 better than a merely weak section.
    """
    return _compare_with_other_section(section, series=True)


@fact(CapacitorSection, "it reads the value of the other section")
def _reads_other_value(section: CapacitorSection) -> Evidence:
    """The other section's reading (its rating where that is not within limits) agrees with the reading, and fits it at
    least 3 to 1 better than a section that is merely bad.
    """
    return _compare_with_other_section(section, series=False)


def _compare_with_other_section(section: CapacitorSection, *, series: bool) -> Evidence:
    reading, limits = _latest(section), section.point_readings.limits
    mine = rated_estimate(limits) if limits else None
    value = reading.estimate
    beside = _other_value(section)
    if mine is None or limits is None or value is None or beside is None or not _is_outside(_latest(section)):
        return UNKNOWN if beside is None and section.other_section else DOES_NOT_HOLD
    theirs, where_from, used = beside
    expected = series_estimate(mine, theirs) if series else theirs
    weight = likelihood_weight(value, expected, limits) or 0
    what = f"{section.placeholders['across']} in series make" if series else f"{section.placeholders['other_end']} has"
    text = (
        f"{describe_point(section.point_readings)} reads {reading.text}; {what} {_capacitance_text(expected.value, limits.unit)}"
        f" (from {where_from}). That fits {odds_text(weight)} better than a section gone bad by that much."
    )
    return make_evidence(weight > 0, text, reading, used, weight=weight)


def _other_value(section: CapacitorSection) -> tuple[Estimate, str, Observation | None] | None:
    """Return the other section's value, where it comes from, and the reading it was taken from, if it was."""
    if section.other_section is None:
        return None
    latest = section.other_section.latest
    if latest and latest.estimate and latest.verdict is Verdict.WITHIN:
        return latest.estimate, f"the {latest.text} read at {section.other_section.terminals_text}", latest
    limits = section.other_limits
    rated = rated_estimate(limits) if limits else None
    return None if rated is None or limits is None else (rated, f"the rating {limits.basis}", None)


@fact(CapacitorSection, "the other section reads the value of this one")
def _other_reads_this_value(section: CapacitorSection) -> Evidence:
    """The other section is outside its limits, and its reading lies within this one's."""
    other = section.other_section.latest if section.other_section else None
    mine = section.point_readings.limits
    if other is None or mine is None or other.estimate is None:
        return UNKNOWN
    rated = rated_estimate(mine)
    holds = _is_outside(other) and rated is not None and agree(other.estimate, rated)
    return make_evidence(holds, f"{_describe_other(section)} reads {other.text}, the value of {mine.basis}.", other)


@fact(CapacitorSection, "both places read the same")
def _same_reading(section: CapacitorSection) -> Evidence:
    """The other section's reading repeats this one's, within what the meter repeats to."""
    other = section.other_section.latest if section.other_section else None
    if other is None:
        return UNKNOWN
    same = readings_agree(_latest(section), other) is True and _latest(section).estimate is not None
    return make_evidence(
        same,
        f"{_describe_other(section)} reads {other.text} as well: the same two terminals twice?",
        _latest(section),
        other,
    )


def _describe_other(section: CapacitorSection) -> str:
    return describe_point(section.other_section) if section.other_section else ""


@fact(CapacitorSection, "the other section reads within its limits")
def _other_within(section: CapacitorSection) -> Evidence:
    """The other section has been read and is within its limits."""
    other = section.other_section.latest if section.other_section else None
    if other is None:
        return UNKNOWN
    text = f"{_describe_other(section)} reads {other.text}, within its limits: the meter and the common terminal do."
    return make_evidence(other.verdict is Verdict.WITHIN, text, other)


@fact(CapacitorSection, "the other section is low by the same share")
def _low_by_same_share(section: CapacitorSection) -> Evidence:
    """Both sections are below their limits, by the same percentage to within 2 %."""
    other = section.other_section.latest if section.other_section else None
    mine, theirs = (
        each.judgement.deviation_percent if each and each.judgement else None for each in (_latest(section), other)
    )
    if other is None or mine is None or theirs is None:
        return UNKNOWN
    low = mine < 0 and theirs < 0 and _is_outside(_latest(section)) and _is_outside(other)
    text = (
        f"{describe_point(section.point_readings)} is {mine:+.1f} % off and {_describe_other(section)} {theirs:+.1f} %."
    )
    return make_evidence(low and abs(mine - theirs) <= _SAME_DEVIATION_PERCENT, text, _latest(section), other)


@fact(CapacitorSection, "it reads a thousandth of its rating")
def _wrong_prefix(section: CapacitorSection) -> Evidence:
    """A thousand times the reading is within its limits: nF taken for µF, or a profile with a wrong prefix."""
    judgement = _latest(section).judgement
    if judgement is None or judgement.limits is None or not judgement.digits or judgement.verdict is not Verdict.OPEN:
        return DOES_NOT_HOLD
    limits = judgement.limits
    scaled = judgement.digits * 1000
    holds = (limits.low is None or scaled >= limits.low) and (limits.high is None or scaled <= limits.high)
    text = (
        f"{_latest(section).text} is a thousandth of what {limits.basis} should read; an open section reads only its"
        " leads."
    )
    return make_evidence(holds, text, _latest(section))


@fact(CapacitorSection, "an earlier take of it agrees")
def _earlier_agrees(section: CapacitorSection) -> Evidence:
    """An earlier reading at this test point repeats the newest one."""
    return earlier_reading_agrees(section.point_readings)


@fact(CapacitorSection, "takes of it differ")
def _readings_differ(section: CapacitorSection) -> Evidence:
    """Two readings at this test point differ by more than the meter repeats to."""
    return readings_differ(section.point_readings)


@fact(CapacitorSection, "ohms across it read next to nothing")
def _ohms_short(section: CapacitorSection) -> Evidence:
    """A resistance read across the section is below 10 Ω."""
    return _resistance_between(section, 0.0, _SHORT_OHMS)


@fact(CapacitorSection, "ohms across it read a leak")
def _ohms_leak(section: CapacitorSection) -> Evidence:
    """A resistance read across the section is below 1 MΩ at rest; a bleeder resistor left on reads the same."""
    return _resistance_between(section, _SHORT_OHMS, _LEAK_OHMS)


@fact(CapacitorSection, "ohms across it read no path")
def _ohms_none(section: CapacitorSection) -> Evidence:
    """A resistance read across the section is 1 MΩ or more, or overload."""
    return _resistance_between(section, _LEAK_OHMS, float("inf"))


def _resistance_between(section: CapacitorSection, least: float, below: float) -> Evidence:
    takes = section.find_readings(Quantity.RESISTANCE, CircuitState.ISOLATED)
    if takes is None or takes.latest is None:
        return UNKNOWN
    value = takes.latest.estimate
    holds = below == float("inf") if value is None else least <= value.value < below
    return make_evidence(holds, f"Ohms across {takes.terminals_text} read {takes.latest.text}.", takes.latest)


def _capacitance_under_load(section: CapacitorSection) -> tuple[Estimate, tuple[Observation, ...]] | None:
    """Return the capacitance under load in F and what it was worked out from."""
    direct = section.find_readings(Quantity.CAPACITANCE, CircuitState.ENERGIZED)
    if direct and direct.latest and direct.latest.estimate:
        return direct.latest.estimate, (direct.latest,)
    amps = section.find_readings(Quantity.CURRENT, CircuitState.ENERGIZED)
    volts = section.find_readings(Quantity.VOLTAGE, CircuitState.ENERGIZED)
    frequency, used = _frequency(section)
    if not (amps and volts and amps.latest and volts.latest and frequency):
        return None
    current, voltage = amps.latest.estimate, volts.latest.estimate
    if current is None or voltage is None or voltage.value <= 0 or current.value < 0:
        return None
    return capacitance_under_load(current, voltage, frequency), (amps.latest, volts.latest, *used)


def _frequency(section: CapacitorSection) -> tuple[Estimate | None, tuple[Observation, ...]]:
    for takes in section.case.point_readings:
        if takes.point.quantity is Quantity.FREQUENCY and takes.latest and takes.latest.estimate:
            return takes.latest.estimate, (takes.latest,)
    mains = section.case.mains_frequency
    return (Estimate.rectangular(mains, ASSUMED_FREQUENCY_HALF_WIDTH) if mains else None), ()


@fact(CapacitorSection, "under load it is below its low limit")
def _low_under_load(section: CapacitorSection) -> Evidence:
    """I/(2πfU), from amps in its own lead and volts across it, is below the low limit by more than its uncertainty."""
    limits, worked_out = section.point_readings.limits, _capacitance_under_load(section)
    if limits is None or limits.low is None or worked_out is None:
        return UNKNOWN
    farads, used = worked_out
    low = float(convert(limits.low, limits.unit, "F"))
    text = (
        f"Under load it makes {_capacitance_text(farads.value, limits.unit)} ± {_capacitance_text(farads.expanded_uncertainty, limits.unit)}, below"
        f" the low limit of {format_decimal(limits.low)} {limits.unit}."
    )
    return make_evidence(farads.value + farads.expanded_uncertainty < low, text, *used)


@fact(CapacitorSection, "under load and on the bench it differs")
def _differs_under_load(section: CapacitorSection) -> Evidence:
    """The capacitance under load and the one on the bench differ by more than both uncertainties."""
    worked_out, bench, limits = (
        _capacitance_under_load(section),
        _latest(section).estimate,
        section.point_readings.limits,
    )
    if worked_out is None or bench is None or limits is None:
        return UNKNOWN
    text = (
        f"On the bench it reads {_latest(section).text}, under load {_capacitance_text(worked_out[0].value, limits.unit)}:"
        " further apart than the meters explain."
    )
    return make_evidence(not agree(worked_out[0], bench), text, _latest(section), *worked_out[1])


@fact(CapacitorSection, "the other mains frequency would explain it")
def _frequency_mix_up(section: CapacitorSection) -> Evidence:
    """With 50 in place of 60 Hz, or the other way round, the capacitance under load is within its limits."""
    limits, worked_out = section.point_readings.limits, _capacitance_under_load(section)
    frequency, measured = _frequency(section)
    if worked_out is None or limits is None or frequency is None or measured:
        return UNKNOWN  # a frequency that was read is not mixed up
    other = other_mains_frequency(frequency.value)
    if other is None or limits.low is None or limits.high is None or len(worked_out[1]) < 2:
        return DOES_NOT_HOLD
    instead = worked_out[0].value * frequency.value / other
    low, high = (float(convert(edge, limits.unit, "F")) for edge in (limits.low, limits.high))
    text = f"At {other:g} Hz the same amps and volts make {_capacitance_text(instead, limits.unit)}, within its limits."
    return make_evidence(low <= instead <= high, text, *worked_out[1])

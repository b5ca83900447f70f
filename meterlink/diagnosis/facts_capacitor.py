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
from meterlink.diagnosis.observations import Observation, leaves_doubt
from meterlink.diagnosis.subjects import CapacitorSection
from meterlink.judge.electrical.capacitance import (
    ASSUMED_FREQUENCY_HALF_WIDTH,
    capacitance_under_load,
    other_mains_frequency,
)
from meterlink.judge.estimates import Estimate, round_significant
from meterlink.judge.judging import format_decimal
from meterlink.judge.reading_questions import ALMOST_ZERO, RISES_TO_OVERLOAD, STEADY

# In the endurance test of IEC 60252-1 (clause 3, the sentence was seen quoted) a run capacitor has failed when it has
# drifted 10 % of its rated value beyond its tolerance.
_BEYOND_TOLERANCE = Decimal("0.1")

# The ohms across a sound section rise while the meter charges it, to some megohms or overload. A steady reading below
# 1 MΩ is a leak, and one below 10 Ω a short. Common practice, no source. A bleeder resistor reads like a leak.
_LEAK_OHMS, _SHORT_OHMS = 1e6, 10.0
# The bleed resistor across a start capacitor has 15 kΩ, sometimes 10 to 22 kΩ. Common practice, no source.
_BLEED_OHMS = (10e3, 22.5e3)

# Two sections whose deviations differ by at most this many percentage points share a cause. Common practice, no source.
_SAME_DEVIATION_PERCENT = Decimal(2)


def _latest(section: CapacitorSection) -> Observation:
    latest = section.point_readings.latest
    assert latest is not None  # noqa: S101  # find_all() returns only sections with a reading
    return latest


def _digits_and_limits(section: CapacitorSection) -> tuple[Decimal, Limits] | None:
    """Return ``(reading, limits)`` in one unit; None where one is missing or the section is open."""
    judgement = _latest(section).judgement
    if judgement is None or judgement.limits is None or judgement.digits is None or judgement.verdict is Verdict.OPEN:
        return None
    return judgement.digits, judgement.limits


def _judgement_evidence(section: CapacitorSection, holds: bool) -> Evidence:  # noqa: FBT001  # reads as a sentence
    judgement = _latest(section).judgement
    reason = judgement.reason if judgement else ""
    return make_evidence(holds, f"{describe_point(section.point_readings)}: {reason}", _latest(section))


def _capacitance_text(value: float, unit: str) -> str:
    farads_per_unit = float(convert(Decimal(1), unit, BASE_UNIT[Quantity.CAPACITANCE]))
    return f"{format_decimal(round_significant(value / farads_per_unit, 3))} {unit}"


@fact(CapacitorSection, "it reads below its low limit")
def _below(section: CapacitorSection) -> Evidence:
    """The newest reading is below its low limit, but not almost zero."""
    judged = _digits_and_limits(section)
    if judged is None or judged[1].low is None:
        return DOES_NOT_HOLD
    return _judgement_evidence(section, judged[0] < judged[1].low)


@fact(CapacitorSection, "it reads above its high limit")
def _above(section: CapacitorSection) -> Evidence:
    """The newest reading is above its high limit."""
    judged = _digits_and_limits(section)
    if judged is None or judged[1].high is None:
        return DOES_NOT_HOLD
    return _judgement_evidence(section, judged[0] > judged[1].high)


@fact(CapacitorSection, "it reads within its limits")
def _within(section: CapacitorSection) -> Evidence:
    """The newest reading is within its limits; a value on a limit is within."""
    return _judgement_evidence(section, _latest(section).verdict is Verdict.WITHIN)


@fact(CapacitorSection, "it reads almost zero")
def _near_zero(section: CapacitorSection) -> Evidence:
    """The newest reading is at most 2 % of the rated value."""
    return _judgement_evidence(section, _latest(section).verdict is Verdict.OPEN)


@fact(CapacitorSection, "it reads overload")
def _overloads(section: CapacitorSection) -> Evidence:
    """The meter shows overload on capacitance."""
    latest = _latest(section)
    overload = latest.judgement is not None and latest.judgement.limits is not None and latest.measured.digits is None
    return _judgement_evidence(section, overload)


@fact(CapacitorSection, "it is a close call")
def _close(section: CapacitorSection) -> Evidence:
    """The meter's error, or that of all readings together where they agree, may reach across the nearest limit."""
    close = leaves_doubt(section.point_readings.together)
    return make_evidence(
        close, f"{describe_point(section.point_readings)} is a close call for this meter.", _latest(section)
    )


@fact(CapacitorSection, "it is clearly outside its limits")
def _clearly_outside(section: CapacitorSection) -> Evidence:
    """The newest reading is outside its limits by more than the meter's error, or by more than that of all readings
    together where they agree.
    """
    judgement = section.point_readings.together
    if (
        judgement is None
        or judgement.limits is None
        or judgement.digits is None
        or judgement.expanded_uncertainty is None
    ):
        return DOES_NOT_HOLD
    text = (
        f"It is outside by more than the error of up to {judgement.expanded_uncertainty:.2g}"
        f" {judgement.limits.unit} ({judgement.accuracy})."
    )
    outside = _latest(section).is_displayed_outside
    return make_evidence(outside and judgement.margin is Margin.CLEAR, text, _latest(section))


@fact(CapacitorSection, "it is beyond the end-of-life mark")
def _end_of_life(section: CapacitorSection) -> Evidence:
    """The reading is below its low limit by more than 10 % of the rated value (IEC 60252-1; no start capacitor)."""
    judged = _digits_and_limits(section)
    is_start_capacitor = "start" in section.point_readings.point.component.lower()
    if judged is None or judged[1].low is None or judged[1].nominal is None or is_start_capacitor:
        return DOES_NOT_HOLD
    digits, limits = judged
    mark = (limits.low or Decimal(0)) - (limits.nominal or Decimal(0)) * _BEYOND_TOLERANCE
    text = (
        f"{digits:f} {limits.unit} is below {format_decimal(mark)} {limits.unit}, the limit at which IEC 60252-1 counts"
        " a run capacitor as failed: 10 % of the rated value beyond its tolerance."
    )
    return make_evidence(digits < mark, text, _latest(section))


@fact(CapacitorSection, "it reads the series value of both sections")
def _reads_series_value(section: CapacitorSection) -> Evidence:
    """The reading agrees with C1·C2/(C1 + C2), which fits it at least 3 to 1 better than a weak section does. C1 is the
    rating of this section; C2 is the other section's reading within its limits, else its rating.
    """
    return _compare_with_other_section(section, series=True)


@fact(CapacitorSection, "it reads the value of the other section")
def _reads_other_value(section: CapacitorSection) -> Evidence:
    """The reading agrees with the value of the other section, which fits it at least 3 to 1 better than a bad section
    does. That value is the other section's reading within its limits, else its rating.
    """
    return _compare_with_other_section(section, series=False)


def _compare_with_other_section(section: CapacitorSection, *, series: bool) -> Evidence:
    reading, limits = _latest(section), section.point_readings.limits
    rated = rated_estimate(limits) if limits else None
    measured = reading.estimate
    other = _other_value(section)
    if rated is None or limits is None or measured is None or other is None or not reading.is_displayed_outside:
        return UNKNOWN if other is None and section.other_section else DOES_NOT_HOLD
    other_estimate, source, other_reading = other
    expected = series_estimate(rated, other_estimate) if series else other_estimate
    weight = likelihood_weight(measured, expected, limits) or 0
    terminals = section.placeholders["outer_terminals" if series else "other_terminal"]
    text = (
        f"{describe_point(section.point_readings)} reads {reading.text}; {terminals}"
        f" {'in series make' if series else 'has'} {_capacitance_text(expected.value, limits.unit)} (from {source})."
        f" That fits {odds_text(weight)} better than a bad section."
    )
    return make_evidence(weight > 0, text, reading, other_reading, weight=weight)


def _other_value(section: CapacitorSection) -> tuple[Estimate, str, Observation | None] | None:
    """Return ``(value, its source, its reading)`` of the other section; a rating has no reading (None)."""
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
    """The other section is outside its limits, and its reading agrees with the rating of this one."""
    other = section.other_section.latest if section.other_section else None
    limits = section.point_readings.limits
    if other is None or limits is None or other.estimate is None:
        return UNKNOWN
    rated = rated_estimate(limits)
    holds = other.is_displayed_outside and rated is not None and agree(other.estimate, rated)
    return make_evidence(holds, f"{_describe_other(section)} reads {other.text}, the value of {limits.basis}.", other)


@fact(CapacitorSection, "both sections read the same")
def _same_reading(section: CapacitorSection) -> Evidence:
    """Both sections read the same within the meter's repeatability."""
    other = section.other_section.latest if section.other_section else None
    if other is None:
        return UNKNOWN
    same = readings_agree(_latest(section), other) is True and _latest(section).estimate is not None
    return make_evidence(
        same,
        f"{_describe_other(section)} also reads {other.text}. Were the same two terminals read twice?",
        _latest(section),
        other,
    )


def _describe_other(section: CapacitorSection) -> str:
    return describe_point(section.other_section) if section.other_section else ""


@fact(CapacitorSection, "the other section reads within its limits")
def _other_within(section: CapacitorSection) -> Evidence:
    """The newest reading of the other section is within its limits."""
    other = section.other_section.latest if section.other_section else None
    if other is None:
        return UNKNOWN
    text = (
        f"{_describe_other(section)} reads {other.text}, within its limits, so the meter and the common terminal work."
    )
    return make_evidence(other.verdict is Verdict.WITHIN, text, other)


@fact(CapacitorSection, "the other section is low by the same percentage")
def _low_by_same_share(section: CapacitorSection) -> Evidence:
    """Both sections are below their limits, by percentages that differ by at most 2."""
    other = section.other_section.latest if section.other_section else None
    deviation, other_deviation = (
        reading.judgement.deviation_percent if reading and reading.judgement else None
        for reading in (_latest(section), other)
    )
    if other is None or deviation is None or other_deviation is None:
        return UNKNOWN
    outside = _latest(section).is_displayed_outside and other.is_displayed_outside
    low = outside and deviation < 0 and other_deviation < 0
    text = (
        f"{describe_point(section.point_readings)} deviates by {deviation:+.1f} % and {_describe_other(section)} by"
        f" {other_deviation:+.1f} %."
    )
    same = abs(deviation - other_deviation) <= _SAME_DEVIATION_PERCENT
    return make_evidence(low and same, text, _latest(section), other)


@fact(CapacitorSection, "it reads a thousandth of its rating")
def _wrong_prefix(section: CapacitorSection) -> Evidence:
    """A thousand times the reading is within its limits: nF read as µF, or a profile with a wrong prefix."""
    judgement = _latest(section).judgement
    if judgement is None or judgement.limits is None or not judgement.digits or judgement.verdict is not Verdict.OPEN:
        return DOES_NOT_HOLD
    limits = judgement.limits
    scaled = judgement.digits * 1000
    holds = (limits.low is None or scaled >= limits.low) and (limits.high is None or scaled <= limits.high)
    text = (
        f"{_latest(section).text} is a thousandth of {limits.basis}; an open section reads only the capacitance of its"
        " leads."
    )
    return make_evidence(holds, text, _latest(section))


@fact(CapacitorSection, "an earlier reading of it agrees")
def _earlier_agrees(section: CapacitorSection) -> Evidence:
    """An earlier reading at this test point agrees with the newest."""
    return earlier_reading_agrees(section.point_readings)


@fact(CapacitorSection, "its readings differ")
def _readings_differ(section: CapacitorSection) -> Evidence:
    """The newest reading and an earlier one differ by more than the meter's repeatability."""
    return readings_differ(section.point_readings)


@fact(CapacitorSection, "its resistance is almost zero")
def _ohms_short(section: CapacitorSection) -> Evidence:
    """The resistance across the section reads below 10 Ω, or a question about its overload was answered so."""
    return _resistance_between(section, 0.0, _SHORT_OHMS, ALMOST_ZERO)


@fact(CapacitorSection, "its resistance shows a leak")
def _ohms_leak(section: CapacitorSection) -> Evidence:
    """The resistance across the section is from 10 Ω to below 1 MΩ, as read or answered, and is not that of the usual
    bleed resistor of a start capacitor, 10 to 22 kΩ; another bleed resistor reads like a leak.
    """
    leak = _resistance_between(section, _SHORT_OHMS, _LEAK_OHMS, STEADY)
    is_start_capacitor = "start" in section.point_readings.point.component.lower()
    return DOES_NOT_HOLD if is_start_capacitor and _resistance_between(section, *_BLEED_OHMS, STEADY).holds else leak


@fact(CapacitorSection, "its resistance shows no path")
def _ohms_none(section: CapacitorSection) -> Evidence:
    """The resistance across the section reads 1 MΩ or more, or overload, or a question was answered so."""
    return _resistance_between(section, _LEAK_OHMS, float("inf"), RISES_TO_OVERLOAD)


def _resistance_between(section: CapacitorSection, least: float, below: float, answer: str) -> Evidence:
    """Return whether the ohms across the section are in a range, as read, else as ``answer`` says of its overload."""
    resistance = section.find_readings(Quantity.RESISTANCE, CircuitState.ISOLATED)
    if resistance is None or resistance.latest is None:
        judgement = _latest(section).judgement
        if judgement is None or judgement.answer not in {ALMOST_ZERO, STEADY, RISES_TO_OVERLOAD}:
            return UNKNOWN
        return _judgement_evidence(section, judgement.answer == answer)
    estimate = resistance.latest.estimate
    holds = below == float("inf") if estimate is None else least <= estimate.value < below
    text = f"The resistance across {resistance.terminals_text} reads {resistance.latest.text}."
    return make_evidence(holds, text, resistance.latest)


def _capacitance_under_load(section: CapacitorSection) -> tuple[Estimate, tuple[Observation, ...]] | None:
    """Return ``(capacitance under load in F, the readings behind it)``; None where it is unknown."""
    direct = section.find_readings(Quantity.CAPACITANCE, CircuitState.ENERGIZED)
    if direct and direct.latest and direct.latest.estimate:
        return direct.latest.estimate, (direct.latest,)
    amps = section.find_readings(Quantity.CURRENT, CircuitState.ENERGIZED)
    volts = section.find_readings(Quantity.VOLTAGE, CircuitState.ENERGIZED)
    frequency, frequency_readings = _frequency(section)
    if not (amps and volts and amps.latest and volts.latest and frequency):
        return None
    current, voltage = amps.latest.estimate, volts.latest.estimate
    if current is None or voltage is None or voltage.value <= 0 or current.value < 0:
        return None
    return capacitance_under_load(current, voltage, frequency), (amps.latest, volts.latest, *frequency_readings)


def _frequency(section: CapacitorSection) -> tuple[Estimate | None, tuple[Observation, ...]]:
    for point_readings in section.case.point_readings:
        latest = point_readings.latest
        if point_readings.point.quantity is Quantity.FREQUENCY and latest and latest.estimate:
            return latest.estimate, (latest,)
    mains = section.case.mains_frequency
    return (Estimate.rectangular(mains, ASSUMED_FREQUENCY_HALF_WIDTH) if mains else None), ()


@fact(CapacitorSection, "its capacitance under load is below its low limit")
def low_under_load(section: CapacitorSection) -> Evidence:
    """I/(2πfU), from amps in its own lead and volts across it, is below the low limit by more than its uncertainty."""
    limits, under_load = section.point_readings.limits, _capacitance_under_load(section)
    if limits is None or limits.low is None or under_load is None:
        return UNKNOWN
    farads, readings = under_load
    low = float(convert(limits.low, limits.unit, "F"))
    text = (
        f"Under load it has {_capacitance_text(farads.value, limits.unit)} ±"
        f" {_capacitance_text(farads.expanded_uncertainty, limits.unit)}, below the low limit of"
        f" {format_decimal(limits.low)} {limits.unit}."
    )
    return make_evidence(farads.value + farads.expanded_uncertainty < low, text, *readings)


@fact(CapacitorSection, "its capacitance under load is above its high limit")
def _high_under_load(section: CapacitorSection) -> Evidence:
    """I/(2πfU) is above the high limit by more than its uncertainty: the clamp saw more than its own current."""
    limits, under_load = section.point_readings.limits, _capacitance_under_load(section)
    if limits is None or limits.high is None or under_load is None:
        return UNKNOWN
    farads, readings = under_load
    text = (
        f"Under load it seems to have {_capacitance_text(farads.value, limits.unit)}, above the high limit of"
        f" {format_decimal(limits.high)} {limits.unit}."
    )
    high = float(convert(limits.high, limits.unit, "F"))
    return make_evidence(farads.value - farads.expanded_uncertainty > high, text, *readings)


@fact(CapacitorSection, "its capacitance under load differs from that on the bench")
def _differs_under_load(section: CapacitorSection) -> Evidence:
    """The capacitances under load and on the bench differ by more than both uncertainties."""
    under_load, bench, limits = (
        _capacitance_under_load(section),
        _latest(section).estimate,
        section.point_readings.limits,
    )
    if under_load is None or bench is None or limits is None:
        return UNKNOWN
    farads, readings = under_load
    text = (
        f"On the bench it reads {_latest(section).text}, under load {_capacitance_text(farads.value, limits.unit)}:"
        " further apart than the meters' errors explain."
    )
    return make_evidence(not agree(farads, bench), text, _latest(section), *readings)


@fact(CapacitorSection, "the other mains frequency would explain it")
def _frequency_mix_up(section: CapacitorSection) -> Evidence:
    """With 50 Hz in place of 60 Hz, or the reverse, the capacitance under load is within its limits."""
    limits, under_load = section.point_readings.limits, _capacitance_under_load(section)
    frequency, frequency_readings = _frequency(section)
    if under_load is None or limits is None or frequency is None or frequency_readings:
        return UNKNOWN  # a measured frequency is certain
    farads, readings = under_load
    other_hertz = other_mains_frequency(frequency.value)
    if other_hertz is None or limits.low is None or limits.high is None or len(readings) < 2:
        return DOES_NOT_HOLD
    other_farads = farads.value * frequency.value / other_hertz
    low, high = (float(convert(edge, limits.unit, "F")) for edge in (limits.low, limits.high))
    text = (
        f"At {other_hertz:g} Hz the same amps and volts give {_capacitance_text(other_farads, limits.unit)}, within its"
        " limits."
    )
    return make_evidence(low <= other_farads <= high, text, *readings)


@fact(CapacitorSection, "it was replaced at this visit")
def _replaced(section: CapacitorSection) -> Evidence:
    """Its readings are those of a part that was fitted at this visit."""
    text = f"The {section.point_readings.point.title} is new: a new part is seldom bad."
    return make_evidence(section.point_readings.replacement is not None, text, _latest(section))

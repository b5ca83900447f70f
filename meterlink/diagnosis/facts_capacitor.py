"""Facts about one section of a run capacitor."""

from decimal import Decimal

from meterlink.core.equipment import State
from meterlink.core.units import BASE_UNIT, Quantity, convert
from meterlink.core.verdicts import Limits, Margin, Verdict
from meterlink.diagnosis.evidence import NO, UNKNOWN, Evidence, fact, tell
from meterlink.diagnosis.facts_readings import earlier_agrees, named, takes_differ
from meterlink.diagnosis.likelihood import agree, fit, odds, rated_estimate, repeats, series_estimate
from meterlink.diagnosis.observations import Observation
from meterlink.diagnosis.subjects import Section
from meterlink.judge.electrical.capacitance import ASSUMED_FREQUENCY_HALF_WIDTH, other_mains, under_load
from meterlink.judge.estimates import Estimate, significant
from meterlink.judge.judging import plain

# IEC 60252-1 (the sentence was seen quoted, clause 3) counts a run capacitor as failed in its endurance test when it
# has drifted 10 % of its rated value beyond its tolerance.
_BEYOND_TOLERANCE = Decimal("0.1")

# Ohms across a sound section climb as the meter charges it, to overload or some megohms. Below 1 MΩ at rest it leaks;
# below 10 Ω it is broken through. Common practice, no source. A bleeder resistor reads the same as a leak.
_LEAK_OHMS, _SHORT_OHMS = 1e6, 10.0

# Two sections that deviate by the same share, to this many percent, share a cause. Common practice, no source.
_SAME_SHARE = Decimal(2)


def _reading(section: Section) -> Observation:
    latest = section.takes.latest
    assert latest is not None  # noqa: S101  # a Section has been read
    return latest


def _value(section: Section) -> tuple[Decimal, Limits] | None:
    """Return (reading, limits) in one unit where there are both and the section is not said to be open."""
    judgement = _reading(section).judgement
    if judgement is None or judgement.limits is None or judgement.digits is None or judgement.verdict is Verdict.OPEN:
        return None
    return judgement.digits, judgement.limits


def _judged(section: Section, holds: bool) -> Evidence:  # noqa: FBT001  # reads as a sentence
    judgement = _reading(section).judgement
    reason = judgement.reason if judgement else ""
    return tell(holds, f"{named(section.takes)}: {reason}", _reading(section))


def _farads(value: float, unit: str) -> str:
    return f"{plain(significant(value / float(convert(Decimal(1), unit, BASE_UNIT[Quantity.CAPACITANCE])), 3))} {unit}"


def _bad(observation: Observation) -> bool:
    """Say whether the display is out of its limits, whatever the decision rule made of that."""
    judgement = observation.judgement
    if judgement is None or judgement.limits is None or judgement.digits is None:
        return False
    low, high = judgement.limits.low, judgement.limits.high
    return (low is not None and judgement.digits < low) or (high is not None and judgement.digits > high)


@fact(Section, "it reads below its low limit")
def _below(section: Section) -> Evidence:
    """The newest reading is below the rated value less its tolerance, and is not next to nothing."""
    known = _value(section)
    if known is None or known[1].low is None:
        return NO
    return _judged(section, known[0] < known[1].low)


@fact(Section, "it reads above its high limit")
def _above(section: Section) -> Evidence:
    """The newest reading is above the rated value and its tolerance."""
    known = _value(section)
    if known is None or known[1].high is None:
        return NO
    return _judged(section, known[0] > known[1].high)


@fact(Section, "it reads within its limits")
def _within(section: Section) -> Evidence:
    """The newest reading is within its limits; the boundary is within."""
    return _judged(section, _reading(section).verdict is Verdict.WITHIN)


@fact(Section, "it reads next to nothing")
def _nothing(section: Section) -> Evidence:
    """The newest reading is at most 2 % of the rated value."""
    return _judged(section, _reading(section).verdict is Verdict.OPEN)


@fact(Section, "it overloads the meter")
def _overloads(section: Section) -> Evidence:
    """The meter shows overload on capacitance."""
    return _judged(section, _reading(section).verdict is Verdict.SHORTED)


@fact(Section, "it is a close call")
def _close(section: Section) -> Evidence:
    """The meter's own uncertainty straddles the nearest limit."""
    judgement = _reading(section).judgement
    close = judgement is not None and judgement.margin is Margin.CLOSE_CALL
    return tell(close, f"{named(section.takes)} is a close call for this meter.", _reading(section))


@fact(Section, "it is clear of its limits")
def _clear(section: Section) -> Evidence:
    """It is outside its limits by more than the meter's own uncertainty."""
    judgement = _reading(section).judgement
    if judgement is None or judgement.limits is None or judgement.digits is None or judgement.uncertainty is None:
        return NO
    text = (
        f"It is out by more than the ± {judgement.uncertainty:.2g} {judgement.limits.unit} this meter may be off by"
        f" ({judgement.accuracy})."
    )
    return tell(_bad(_reading(section)) and judgement.margin is Margin.CLEAR, text, _reading(section))


@fact(Section, "it is beyond the end-of-life mark")
def _end_of_life(section: Section) -> Evidence:
    """It is below its low limit by more than 10 % of the rated value (IEC 60252-1; no start capacitor)."""
    known = _value(section)
    start = "start" in section.takes.point.component.lower()
    if known is None or known[1].low is None or known[1].nominal is None or start:
        return NO
    digits, limits = known
    mark = (limits.low or Decimal(0)) - (limits.nominal or Decimal(0)) * _BEYOND_TOLERANCE
    text = (
        f"{digits:f} {limits.unit} is below {plain(mark)} {limits.unit}, 10 % of the rated value beyond its tolerance:"
        " where IEC 60252-1 counts a run capacitor as failed."
    )
    return tell(digits < mark, text, _reading(section))


@fact(Section, "it reads the series value of both sections")
def _series(section: Section) -> Evidence:
    """C1·C2/(C1 + C2), from this section's rating and the other one's reading (its rating where that is not within
    limits), agrees with the reading, and fits it at least 3 to 1 better than a merely weak section.
    """
    return _compared(section, series=True)


@fact(Section, "it reads the value of the other section")
def _others(section: Section) -> Evidence:
    """The other section's reading (its rating where that is not within limits) agrees with the reading, and fits it at
    least 3 to 1 better than a section that is merely bad.
    """
    return _compared(section, series=False)


def _compared(section: Section, *, series: bool) -> Evidence:
    reading, limits = _reading(section), section.takes.limits
    mine = rated_estimate(limits) if limits else None
    value = reading.estimate
    beside = _other_value(section)
    if mine is None or limits is None or value is None or beside is None or not _bad(_reading(section)):
        return UNKNOWN if beside is None and section.other else NO
    theirs, where_from, used = beside
    expected = series_estimate(mine, theirs) if series else theirs
    weight = fit(value, expected, limits) or 0
    what = f"{section.words['across']} in series make" if series else f"{section.words['other_end']} has"
    text = (
        f"{named(section.takes)} reads {reading.text}; {what} {_farads(expected.value, limits.unit)}"
        f" (from {where_from}). That fits {odds(weight)} better than a section gone bad by that much."
    )
    return tell(weight > 0, text, reading, used, weight=weight)


def _other_value(section: Section) -> tuple[Estimate, str, Observation | None] | None:
    """Return the other section's value, where it comes from, and the reading it was taken from, if it was."""
    if section.other is None:
        return None
    latest = section.other.latest
    if latest and latest.estimate and latest.verdict is Verdict.WITHIN:
        return latest.estimate, f"the {latest.text} read at {section.other.where}", latest
    limits = section.other_limits
    rated = rated_estimate(limits) if limits else None
    return None if rated is None or limits is None else (rated, f"the rating {limits.basis}", None)


@fact(Section, "the other section reads the value of this one")
def _crossed(section: Section) -> Evidence:
    """The other section is outside its limits, and its reading lies within this one's."""
    other = section.other.latest if section.other else None
    mine = section.takes.limits
    if other is None or mine is None or other.estimate is None:
        return UNKNOWN
    rated = rated_estimate(mine)
    holds = _bad(other) and rated is not None and agree(other.estimate, rated)
    return tell(holds, f"{_named_other(section)} reads {other.text}, the value of {mine.basis}.", other)


@fact(Section, "both places read the same")
def _same(section: Section) -> Evidence:
    """The other section's reading repeats this one's, within what the meter repeats to."""
    other = section.other.latest if section.other else None
    if other is None:
        return UNKNOWN
    same = repeats(_reading(section), other) is True and _reading(section).estimate is not None
    return tell(
        same,
        f"{_named_other(section)} reads {other.text} as well: the same two terminals twice?",
        _reading(section),
        other,
    )


def _named_other(section: Section) -> str:
    return named(section.other) if section.other else ""


@fact(Section, "the other section reads within its limits")
def _other_within(section: Section) -> Evidence:
    """The other section has been read and is within its limits."""
    other = section.other.latest if section.other else None
    if other is None:
        return UNKNOWN
    text = f"{_named_other(section)} reads {other.text}, within its limits: the meter and the common terminal do."
    return tell(other.verdict is Verdict.WITHIN, text, other)


@fact(Section, "the other section is low by the same share")
def _alike(section: Section) -> Evidence:
    """Both sections are below their limits, by the same percentage to within 2 %."""
    other = section.other.latest if section.other else None
    mine, theirs = (
        each.judgement.deviation_percent if each and each.judgement else None for each in (_reading(section), other)
    )
    if other is None or mine is None or theirs is None:
        return UNKNOWN
    low = mine < 0 and theirs < 0 and _bad(_reading(section)) and _bad(other)
    text = f"{named(section.takes)} is {mine:+.1f} % off and {_named_other(section)} {theirs:+.1f} %."
    return tell(low and abs(mine - theirs) <= _SAME_SHARE, text, _reading(section), other)


@fact(Section, "it reads a thousandth of its rating")
def _prefix(section: Section) -> Evidence:
    """A thousand times the reading is within its limits: nF taken for µF, or a profile with a wrong prefix."""
    judgement = _reading(section).judgement
    if judgement is None or judgement.limits is None or not judgement.digits or judgement.verdict is not Verdict.OPEN:
        return NO
    limits = judgement.limits
    scaled = judgement.digits * 1000
    holds = (limits.low is None or scaled >= limits.low) and (limits.high is None or scaled <= limits.high)
    text = (
        f"{_reading(section).text} is a thousandth of what {limits.basis} should read; an open section reads only its"
        " leads."
    )
    return tell(holds, text, _reading(section))


@fact(Section, "an earlier take of it agrees")
def _again(section: Section) -> Evidence:
    """An earlier reading at this test point repeats the newest one."""
    return earlier_agrees(section.takes)


@fact(Section, "takes of it differ")
def _differ(section: Section) -> Evidence:
    """Two readings at this test point differ by more than the meter repeats to."""
    return takes_differ(section.takes)


@fact(Section, "ohms across it read next to nothing")
def _ohms_short(section: Section) -> Evidence:
    """A resistance read across the section is below 10 Ω."""
    return _ohms(section, 0.0, _SHORT_OHMS)


@fact(Section, "ohms across it read a leak")
def _ohms_leak(section: Section) -> Evidence:
    """A resistance read across the section is below 1 MΩ at rest; a bleeder resistor left on reads the same."""
    return _ohms(section, _SHORT_OHMS, _LEAK_OHMS)


@fact(Section, "ohms across it read no path")
def _ohms_none(section: Section) -> Evidence:
    """A resistance read across the section is 1 MΩ or more, or overload."""
    return _ohms(section, _LEAK_OHMS, float("inf"))


def _ohms(section: Section, least: float, below: float) -> Evidence:
    takes = section.beside(Quantity.RESISTANCE, State.ISOLATED)
    if takes is None or takes.latest is None:
        return UNKNOWN
    value = takes.latest.estimate
    holds = below == float("inf") if value is None else least <= value.value < below
    return tell(holds, f"Ohms across {takes.where} read {takes.latest.text}.", takes.latest)


def _at_work(section: Section) -> tuple[Estimate, tuple[Observation, ...]] | None:
    """Return the capacitance under load in F and what it was worked out from."""
    direct = section.beside(Quantity.CAPACITANCE, State.ENERGIZED)
    if direct and direct.latest and direct.latest.estimate:
        return direct.latest.estimate, (direct.latest,)
    amps = section.beside(Quantity.CURRENT, State.ENERGIZED)
    volts = section.beside(Quantity.VOLTAGE, State.ENERGIZED)
    frequency, used = _frequency(section)
    if not (amps and volts and amps.latest and volts.latest and frequency):
        return None
    current, voltage = amps.latest.estimate, volts.latest.estimate
    if current is None or voltage is None or voltage.value <= 0 or current.value < 0:
        return None
    return under_load(current, voltage, frequency), (amps.latest, volts.latest, *used)


def _frequency(section: Section) -> tuple[Estimate | None, tuple[Observation, ...]]:
    for takes in section.case.takes:
        if takes.point.quantity is Quantity.FREQUENCY and takes.latest and takes.latest.estimate:
            return takes.latest.estimate, (takes.latest,)
    mains = section.case.mains
    return (Estimate.rectangular(mains, ASSUMED_FREQUENCY_HALF_WIDTH) if mains else None), ()


@fact(Section, "under load it is below its low limit")
def _load_low(section: Section) -> Evidence:
    """I/(2πfU), from amps in its own lead and volts across it, is below the low limit by more than its uncertainty."""
    limits, worked_out = section.takes.limits, _at_work(section)
    if limits is None or limits.low is None or worked_out is None:
        return UNKNOWN
    farads, used = worked_out
    low = float(convert(limits.low, limits.unit, "F"))
    text = (
        f"Under load it makes {_farads(farads.value, limits.unit)} ± {_farads(farads.expanded, limits.unit)}, below"
        f" the low limit of {plain(limits.low)} {limits.unit}."
    )
    return tell(farads.value + farads.expanded < low, text, *used)


@fact(Section, "under load and on the bench it differs")
def _load_differs(section: Section) -> Evidence:
    """The capacitance under load and the one on the bench differ by more than both uncertainties."""
    worked_out, bench, limits = _at_work(section), _reading(section).estimate, section.takes.limits
    if worked_out is None or bench is None or limits is None:
        return UNKNOWN
    text = (
        f"On the bench it reads {_reading(section).text}, under load {_farads(worked_out[0].value, limits.unit)}:"
        " further apart than the meters explain."
    )
    return tell(not agree(worked_out[0], bench), text, _reading(section), *worked_out[1])


@fact(Section, "the other mains frequency would explain it")
def _mix_up(section: Section) -> Evidence:
    """With 50 in place of 60 Hz, or the other way round, the capacitance under load is within its limits."""
    limits, worked_out = section.takes.limits, _at_work(section)
    frequency, measured = _frequency(section)
    if worked_out is None or limits is None or frequency is None or measured:
        return UNKNOWN  # a frequency that was read is not mixed up
    other = other_mains(frequency.value)
    if other is None or limits.low is None or limits.high is None or len(worked_out[1]) < 2:
        return NO
    instead = worked_out[0].value * frequency.value / other
    low, high = (float(convert(edge, limits.unit, "F")) for edge in (limits.low, limits.high))
    text = f"At {other:g} Hz the same amps and volts make {_farads(instead, limits.unit)}, within its limits."
    return tell(low <= instead <= high, text, *worked_out[1])

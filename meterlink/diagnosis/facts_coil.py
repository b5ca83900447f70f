"""Facts about a contactor's or relay's coil and the voltage that should reach it."""

from decimal import Decimal

from meterlink.core.verdicts import Limits, Margin, Verdict
from meterlink.diagnosis.evidence import NO, UNKNOWN, Evidence, fact, tell
from meterlink.diagnosis.facts_readings import earlier_agrees, named, takes_differ
from meterlink.diagnosis.observations import Observation, Takes
from meterlink.diagnosis.subjects import Coil
from meterlink.diagnosis.voltage import Level, level
from meterlink.judge.electrical.temperature import Metal, is_believable, resistance_at, winding_temperature
from meterlink.judge.judging import plain

# Out of its limits by the digits shown, whatever the decision rule makes of that.
_OUT = {Verdict.OUTSIDE, Verdict.UNDECIDED}

# Limits of a coil are taken as stated at this temperature, as a maker's resistance usually is (IEC 60034-1 and
# conductor tables both refer to 20 °C, from memory), °C.
REFERENCE = 20.0
# A class B insulated coil runs at up to 130 °C (IEC 60085, from memory); hotter than this explains nothing.
_HOTTEST = 130.0
# Unit controllers commonly hold a compressor off for up to five minutes after power-up or a stop. Common practice,
# no source. One more for the watch, s.
_DELAY = 6 * 60.0


def _ohms(coil: Coil) -> tuple[Observation, Decimal | None, Limits] | None:
    latest = coil.ohms.latest if coil.ohms else None
    if latest is None or latest.judgement is None or latest.judgement.limits is None:
        return None
    return latest, latest.judgement.digits, latest.judgement.limits


def _judged(coil: Coil, verdict: Verdict) -> Evidence:
    """Tell whether the newest resistance has this verdict."""
    latest = coil.ohms.latest if coil.ohms else None
    if coil.ohms is None or latest is None or latest.judgement is None:
        return UNKNOWN
    return tell(latest.verdict is verdict, f"{named(coil.ohms)}: {latest.judgement.reason}", latest)


def _beyond(coil: Coil, *, low: bool) -> Evidence:
    """Tell whether the newest resistance is beyond its low or high limit, without being a dead short."""
    known = _ohms(coil)
    if known is None or coil.ohms is None:
        return UNKNOWN
    latest, digits, limits = known
    if digits is None or latest.judgement is None:
        return NO
    edge = limits.low if low else limits.high
    beyond = edge is not None and (digits < edge if low else digits > edge)
    holds = beyond and latest.verdict is not Verdict.SHORTED
    return tell(holds, f"{named(coil.ohms)}: {latest.judgement.reason}", latest)


@fact(Coil, "its resistance overloads")
def _open(coil: Coil) -> Evidence:
    """The meter shows overload on ohms: nothing conducts, or a probe is off."""
    if coil.ohms is None or coil.ohms.latest is None:
        return UNKNOWN
    overload = coil.ohms.latest.measured.digits is None
    return tell(overload, f"{named(coil.ohms)} overloads on ohms: nothing conducts there.", coil.ohms.latest)


@fact(Coil, "its resistance is next to nothing")
def _short(coil: Coil) -> Evidence:
    """The resistance is at most a tenth of its low limit: what the test leads alone read."""
    return _judged(coil, Verdict.SHORTED)


@fact(Coil, "its resistance is below its low limit")
def _below(coil: Coil) -> Evidence:
    """The resistance is below its low limit, but more than the test leads alone read."""
    return _beyond(coil, low=True)


@fact(Coil, "its resistance is above its high limit")
def _above(coil: Coil) -> Evidence:
    """The resistance is above its high limit, but no overload."""
    return _beyond(coil, low=False)


@fact(Coil, "its resistance is within its limits")
def _within(coil: Coil) -> Evidence:
    """The resistance is within its limits."""
    return _judged(coil, Verdict.WITHIN)


@fact(Coil, "its resistance is a close call")
def _close(coil: Coil) -> Evidence:
    """The meter's own uncertainty straddles the nearest limit of the resistance."""
    return _margin(coil, Margin.CLOSE_CALL, "is a close call for this meter")


@fact(Coil, "its resistance is clear of its limits")
def _clear(coil: Coil) -> Evidence:
    """The resistance is outside its limits by more than the meter's own uncertainty."""
    return _margin(coil, Margin.CLEAR, "is out by more than this meter may be off by")


def _margin(coil: Coil, margin: Margin, words: str) -> Evidence:
    known = _ohms(coil)
    if known is None:
        return UNKNOWN
    judgement = known[0].judgement
    holds = judgement is not None and judgement.margin is margin and judgement.verdict in _OUT
    return tell(holds, f"{known[0].text} {words} ({known[0].accuracy}).", known[0])


@fact(Coil, "an earlier take of its resistance agrees")
def _again(coil: Coil) -> Evidence:
    """An earlier resistance reading repeats the newest one; two overloads repeat each other."""
    return earlier_agrees(coil.ohms) if coil.ohms else UNKNOWN


@fact(Coil, "takes of its resistance differ")
def _differ(coil: Coil) -> Evidence:
    """Two resistance readings differ by more than the meter repeats to, or one of them is an overload."""
    return takes_differ(coil.ohms) if coil.ohms else UNKNOWN


@fact(Coil, "at 20 °C it would be within its limits")
def _corrected(coil: Coil) -> Evidence:
    """Corrected for copper from the temperature read at the coil (else the ambient one) to 20 °C, it is within."""
    known, temperature = _ohms(coil), coil.temperature
    at = temperature.latest if temperature else None
    if known is None or known[1] is None or at is None or at.estimate is None or known[1] <= 0:
        return UNKNOWN
    if not is_believable(at.estimate.value):
        return UNKNOWN
    latest, digits, limits = known[0], known[1], known[2]
    corrected = Decimal(f"{resistance_at(float(digits), at.estimate.value, REFERENCE, Metal.COPPER.value):.4g}")
    inside = (limits.low is None or corrected >= limits.low) and (limits.high is None or corrected <= limits.high)
    text = (
        f"{latest.text} at {at.text} is {plain(corrected)} {limits.unit} at {REFERENCE:g} °C (copper), within"
        f" {limits.basis}."
    )
    return tell(inside and latest.verdict in _OUT, text, latest, at)


@fact(Coil, "a warm coil would explain it")
def _warm(coil: Coil) -> Evidence:
    """No temperature was read, and copper at no more than 130 °C that is within limits at 20 °C would read so."""
    known = _ohms(coil)
    if known is None or known[1] is None or known[2].high is None or coil.temperature is not None:
        return UNKNOWN
    latest, digits, limits = known
    assert digits is not None and limits.high is not None  # noqa: S101, PT018  # asked above
    if digits <= limits.high or limits.high <= 0:
        return NO
    needed = winding_temperature(float(limits.high), REFERENCE, float(digits), Metal.COPPER.value)
    text = (
        f"A copper coil at its high limit of {plain(limits.high)} {limits.unit} at {REFERENCE:g} °C would read"
        f" {latest.text} at {needed:.0f} °C: had it just been energized?"
    )
    return tell(needed <= _HOTTEST, text, latest)


@fact(Coil, "no voltage reaches it")
def _dead(coil: Coil) -> Evidence:
    """The newest voltage at its terminals is below a fifth of what it needs (IEC 60947-4-1 drop-out, from memory)."""
    return _at(coil.volts, Level.NONE)


@fact(Coil, "the voltage at it is low")
def _sags(coil: Coil) -> Evidence:
    """The newest voltage at its terminals is below its low limit, but not next to nothing."""
    return _at(coil.volts, Level.LOW)


@fact(Coil, "voltage reaches it")
def _fed(coil: Coil) -> Evidence:
    """The newest voltage at its terminals is not below its low limit."""
    return _at(coil.volts, Level.PRESENT)


@fact(Coil, "its control supply has no voltage")
def _supply_dead(coil: Coil) -> Evidence:
    """The newest voltage at the control transformer's secondary is next to nothing."""
    return _at(coil.supply, Level.NONE)


@fact(Coil, "its control supply is low")
def _supply_low(coil: Coil) -> Evidence:
    """The newest voltage at the control transformer's secondary is below its low limit, but not next to nothing."""
    return _at(coil.supply, Level.LOW)


@fact(Coil, "its control supply has voltage")
def _supply_live(coil: Coil) -> Evidence:
    """The newest voltage at the control transformer's secondary is not next to nothing."""
    low, good = _at(coil.supply, Level.LOW), _at(coil.supply, Level.PRESENT)
    return low if low.holds else good


@fact(Coil, "its transformer's primary has voltage")
def _primary_live(coil: Coil) -> Evidence:
    """The newest voltage at the control transformer's primary is there, if low."""
    low, good = _at(coil.primary, Level.LOW), _at(coil.primary, Level.PRESENT)
    return low if low.holds else good


def _at(takes: Takes | None, wanted: Level) -> Evidence:
    if takes is None or takes.latest is None:
        return UNKNOWN
    found = level(takes)
    if found is None:
        return UNKNOWN
    words = {Level.NONE: "no working voltage", Level.LOW: "low", Level.PRESENT: "there"}[found]
    return tell(found is wanted, f"{named(takes)} reads {takes.latest.text}: {words}.", takes.latest)


@fact(Coil, "the voltage came at a later take")
def _came(coil: Coil) -> Evidence:
    """The first voltage reading at the coil was next to nothing, a later one is not."""
    if coil.volts is None or len(coil.volts.matching) < 2:
        return UNKNOWN
    first, last = coil.volts.matching[0], coil.volts.matching[-1]
    was, now = level(coil.volts, first), level(coil.volts, last)
    if was is None or now is None:
        return UNKNOWN
    text = f"{named(coil.volts)} read {first.text} at first, then {last.text}."
    return tell(was is Level.NONE and now is not Level.NONE, text, first, last)


@fact(Coil, "it stayed without voltage for six minutes")
def _stayed(coil: Coil) -> Evidence:
    """Every voltage reading at the coil is next to nothing, the first and the last six minutes or more apart."""
    if coil.volts is None or len(coil.volts.matching) < 2:
        return UNKNOWN
    taken = coil.volts.matching
    first, last = taken[0].at, taken[-1].at
    if first is None or last is None or last - first < _DELAY:
        return UNKNOWN
    text = f"{named(coil.volts)} read {taken[-1].text} still after {(last - first) / 60:.0f} minutes."
    return tell(all(level(coil.volts, each) is Level.NONE for each in taken), text, taken[0], taken[-1])

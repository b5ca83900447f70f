"""What to do next, in a sentence. Pure: from the state of the visit and of the meter that is measuring."""

from meterlink.core.equipment import Check, State, TestPoint
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Margin, Verdict
from meterlink.diagnosis.causes import Diagnosis
from meterlink.settling.detector import Phase
from meterlink.station.diagnosis import finding_about
from meterlink.station.tracker import Follower
from meterlink.station.visit import ActiveVisit, Held, fits

# Volts below this are stray pick-up of open leads more often than a charge or a source; common practice, no source.
NOTICEABLE = 3.0  # V


def advice(visit: ActiveVisit, meter: Follower | None, diagnosis: Diagnosis) -> str:
    """Return the next step for the person with the probes.

    ``meter`` is the one that is measuring, if any; ``diagnosis`` what the readings held so far point to.
    """
    point = visit.points.get(visit.focus) if visit.focus else None
    if point is None:
        return f"{_summary(visit)} {diagnosis.summary}".strip()
    if meter is None or meter.latest is None:
        return "Switch a meter on: its readings appear here as soon as it is heard. Or type what a meter shows."
    if visit.held[point.key] and meter.held_at == point.key:
        return _after(point, visit.held[point.key][-1], visit, diagnosis)
    if visit.limits[point.key] is None and visit.taken_for(point.key) is None:
        return f"Read the rating off the {point.component} and enter it; then {_put_on(point)}."
    if hindrance := _hindrance(point, meter, meter.latest):
        return hindrance
    if meter.doubtful and meter.judgement is not None:
        return f"{meter.judgement.reason} If both probes are on {_where(point)}, hold this reading."
    if meter.step.phase is Phase.IDLE:
        return _sentence(_put_on(point)) + (_open_or_off(point) if meter.latest.digits is None else "")
    if meter.step.phase is Phase.HELD:
        return f"{_take_off(point)}, then {_put_on(point)}."
    return "Keep the clamp still." if point.quantity is Quantity.CURRENT else "Keep the probes still."


def _hindrance(point: TestPoint, meter: Follower, reading: Reading) -> str:
    """Return what must be set right before the active point can be measured, empty for nothing."""
    if not reading.measures:
        return f"{meter.name} {altered(reading)}: that says nothing of the terminals. Switch it off on the meter."
    if _voltage_where_none_should_be(point, meter):
        return (
            f"The probes show {reading.text}. If they are on {_where(point)}, keep your hands off: a charge or a "
            "source is still there. Discharge or isolate it, and verify."
        )
    if not fits(point, reading):
        function = f"{point.coupling} {point.quantity}" if point.coupling else str(point.quantity)
        return f"Turn {meter.name} to {function}, then {_put_on(point)}."
    return ""


def altered(reading: Reading) -> str:
    """Return what keeps a display from showing what the probes measure, as a predicate of its meter."""
    return "is on hold and shows an old reading" if reading.hold else "shows a difference (relative)"


def _where(point: TestPoint) -> str:
    return f"{point.terminals[0]} and {point.terminals[1]}"


def _put_on(point: TestPoint) -> str:
    if point.quantity is Quantity.CURRENT:  # never probes set to amps across two terminals
        return f"put the clamp around the lead between {_where(point)}"
    return f"put the probes on {_where(point)}"


def _take_off(point: TestPoint) -> str:
    return "Take the clamp off" if point.quantity is Quantity.CURRENT else "Take the probes off"


def _open_or_off(point: TestPoint) -> str:
    as_well = "with the probes in the air" if point.check is Check.INSULATION else "on an open part"
    return f" It shows the same {as_well}: if the probes are on, hold this reading."


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _voltage_where_none_should_be(point: TestPoint, meter: Follower) -> bool:
    """Whether volts are read, and more than stray pick-up, while the active point is to be isolated."""
    reading = meter.latest
    measuring = meter.step.phase is not Phase.IDLE
    return (
        point.state is State.ISOLATED
        and reading is not None
        and reading.quantity is Quantity.VOLTAGE
        and measuring
        and abs(reading.value or 0.0) >= NOTICEABLE
    )


def _after(point: TestPoint, held: Held, visit: ActiveVisit, diagnosis: Diagnosis) -> str:
    part, judgement = point.title, held.judgement
    finding = finding_about(diagnosis, held)
    taken_for = visit.taken_for(point.key)
    if judgement.verdict is Verdict.NO_LIMITS and taken_for is not None:
        return f"Kept for the {taken_for.title}.{_next(point, visit)}"
    if judgement.verdict is Verdict.NO_LIMITS:
        return f"Kept without a verdict. Enter the rating of the {point.component} to have one."
    if judgement.margin is Margin.CLOSE_CALL or judgement.verdict is Verdict.UNDECIDED:
        return f"Close call on the {part}. {judgement.settle_it}".rstrip()
    if judgement.verdict is not Verdict.WITHIN:
        if finding is not None:
            return f"{finding.title} ({finding.confidence}). {finding.next_measurement}"
        return f"The {part} is not within its limits. Make sure the probes were on {_where(point)}, and read it again."
    return f"The {part} is within its limits.{_next(point, visit)}"


def _next(point: TestPoint, visit: ActiveVisit) -> str:
    following = next((other for key, other in visit.points.items() if not visit.held[key] and key != point.key), None)
    if following is None:
        return f" {_take_off(point)}."
    return f" Next: {following.circuit}, {following.title}."


def _summary(visit: ActiveVisit) -> str:
    # A reading that is taken for something worked out of several has no verdict of its own.
    newest = [
        held[-1].judgement.verdict
        for key, held in visit.held.items()
        if held and not (held[-1].judgement.verdict is Verdict.NO_LIMITS and visit.taken_for(key))
    ]
    within, undecided = newest.count(Verdict.WITHIN), newest.count(Verdict.UNDECIDED)
    left = f", {undecided} undecided" if undecided else ""
    return f"Every test point has its reading: {within} within, {len(newest) - within - undecided} not{left}."

"""What to do next, in a sentence. Pure: from the state of the visit and of the meter that is measuring."""

from meterlink.core.equipment import CircuitState, PointKind, TestPoint
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Margin, Verdict
from meterlink.diagnosis.causes import Diagnosis
from meterlink.settling.detector import Phase
from meterlink.station.diagnosis import foremost_cause
from meterlink.station.tracker import MeterTracker
from meterlink.station.visit import AcceptedReading, ActiveVisit, matches_function

# Volts below this are stray pick-up of open leads more often than a charge or a source; common practice, no source.
LARGEST_STRAY_VOLTS = 3.0  # V


def advice(visit: ActiveVisit, tracker: MeterTracker | None, diagnosis: Diagnosis) -> str:
    """Return the next step for the person with the probes.

    ``meter`` is the one that is measuring, if any; ``diagnosis`` what the readings held so far point to.
    """
    point = visit.points.get(visit.focus) if visit.focus else None
    if point is None:
        return f"{_summary(visit)} {diagnosis.summary}".strip()
    if tracker is None or tracker.latest is None:
        return "Switch a meter on: its readings appear here as soon as it is heard. Or type what a meter shows."
    if visit.accepted[point.key] and tracker.accepted_at == point.key:
        return _advice_on_accepted(point, visit.accepted[point.key][-1], visit, diagnosis)
    if visit.limits[point.key] is None and visit.derived_point_of(point.key) is None:
        return f"Read the rating off the {point.component} and enter it; then {_connect_instruction(point)}."
    if hindrance := _setup_instruction(point, tracker, tracker.latest):
        return hindrance
    if tracker.ambiguous and tracker.judgement is not None:
        return f"{tracker.judgement.reason} If both probes are on {_terminals_text(point)}, hold this reading."
    if tracker.settling.phase is Phase.IDLE:
        return _sentence(_connect_instruction(point)) + (_overload_hint(point) if tracker.latest.digits is None else "")
    if tracker.settling.phase is Phase.ACCEPTED:
        return f"{_disconnect_instruction(point)}, then {_connect_instruction(point)}."
    return "Keep the clamp still." if point.quantity is Quantity.CURRENT else "Keep the probes still."


def _setup_instruction(point: TestPoint, tracker: MeterTracker, reading: Reading) -> str:
    """Return what must be set right before the active point can be measured, empty for nothing."""
    if not reading.is_judgeable:
        return f"{tracker.name} {display_mode_text(reading)}: that says nothing of the terminals. Switch it off on the meter."
    if _has_unexpected_voltage(point, tracker):
        return (
            f"The probes show {reading.text}. If they are on {_terminals_text(point)}, keep your hands off: a charge or a "
            "source is still there. Discharge or isolate it, and verify."
        )
    if not matches_function(point, reading):
        function = f"{point.coupling} {point.quantity}" if point.coupling else str(point.quantity)
        return f"Turn {tracker.name} to {function}, then {_connect_instruction(point)}."
    return ""


def display_mode_text(reading: Reading) -> str:
    """Return what keeps a display from showing what the probes measure, as a predicate of its meter."""
    return "is on hold and shows an old reading" if reading.display_hold else "shows a difference (relative)"


def _terminals_text(point: TestPoint) -> str:
    return f"{point.terminals[0]} and {point.terminals[1]}"


def _connect_instruction(point: TestPoint) -> str:
    if point.quantity is Quantity.CURRENT:  # never probes set to amps across two terminals
        return f"put the clamp around the lead between {_terminals_text(point)}"
    return f"put the probes on {_terminals_text(point)}"


def _disconnect_instruction(point: TestPoint) -> str:
    return "Take the clamp off" if point.quantity is Quantity.CURRENT else "Take the probes off"


def _overload_hint(point: TestPoint) -> str:
    as_well = "with the probes in the air" if point.kind is PointKind.INSULATION else "on an open part"
    return f" It shows the same {as_well}: if the probes are on, hold this reading."


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _has_unexpected_voltage(point: TestPoint, tracker: MeterTracker) -> bool:
    """Whether volts are read, and more than stray pick-up, while the active point is to be isolated."""
    reading = tracker.latest
    measuring = tracker.settling.phase is not Phase.IDLE
    return (
        point.state is CircuitState.ISOLATED
        and reading is not None
        and reading.quantity is Quantity.VOLTAGE
        and measuring
        and abs(reading.value or 0.0) >= LARGEST_STRAY_VOLTS
    )


def _advice_on_accepted(point: TestPoint, accepted: AcceptedReading, visit: ActiveVisit, diagnosis: Diagnosis) -> str:
    part, judgement = point.title, accepted.judgement
    finding = foremost_cause(diagnosis, accepted)
    taken_for = visit.derived_point_of(point.key)
    if judgement.verdict is Verdict.NO_LIMITS and taken_for is not None:
        return f"Kept for the {taken_for.title}.{_next_point_text(point, visit)}"
    if judgement.verdict is Verdict.NO_LIMITS:
        return f"Kept without a verdict. Enter the rating of the {point.component} to have one."
    if judgement.margin is Margin.CLOSE_CALL or judgement.verdict is Verdict.UNDECIDED:
        return f"Close call on the {part}. {judgement.next_measurement}".rstrip()
    if judgement.verdict is not Verdict.WITHIN:
        if finding is not None:
            return f"{finding.title} ({finding.confidence}). {finding.next_measurement}"
        return f"The {part} is not within its limits. Make sure the probes were on {_terminals_text(point)}, and read it again."
    return f"The {part} is within its limits.{_next_point_text(point, visit)}"


def _next_point_text(point: TestPoint, visit: ActiveVisit) -> str:
    following = next(
        (other for key, other in visit.points.items() if not visit.accepted[key] and key != point.key), None
    )
    if following is None:
        return f" {_disconnect_instruction(point)}."
    return f" Next: {following.circuit}, {following.title}."


def _summary(visit: ActiveVisit) -> str:
    # A reading that is taken for something worked out of several has no verdict of its own.
    newest = [
        held[-1].judgement.verdict
        for key, held in visit.accepted.items()
        if held and not (held[-1].judgement.verdict is Verdict.NO_LIMITS and visit.derived_point_of(key))
    ]
    within, undecided = newest.count(Verdict.WITHIN), newest.count(Verdict.UNDECIDED)
    left = f", {undecided} undecided" if undecided else ""
    return f"Every test point has its reading: {within} within, {len(newest) - within - undecided} not{left}."

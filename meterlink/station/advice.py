"""The next step, in a sentence. Pure: from the state of the visit and of the meter that is measuring."""

from collections.abc import Iterator, Mapping

from meterlink.core.equipment import CircuitState, ConnectionState, PointKind, TestPoint
from meterlink.core.key_actions import KeyAction
from meterlink.core.readings import Phase, Reading, Status
from meterlink.core.text import count_phrase
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Margin, Verdict
from meterlink.diagnosis.causes import Diagnosis, RepairOutcome
from meterlink.judge.judging import warning_text
from meterlink.settling.lead_proof import reads_as_leads
from meterlink.settling.open_leads import is_few_counts
from meterlink.station.acceptance import looks_open, reads_as_fingers
from meterlink.station.diagnosis import foremost_cause
from meterlink.station.tracker import LARGEST_STRAY_VOLTAGE, MeterTracker
from meterlink.station.visit import AcceptedReading, ActiveVisit, matches_function

# Percent; a meter that is lost with so little has probably gone flat. Common practice, no source.
LOW_BATTERY = 15


def advice(
    visit: ActiveVisit,
    tracker: MeterTracker | None,
    diagnosis: Diagnosis,
    stock: Mapping[str, str] | None = None,
    connection: ConnectionState | None = None,
    radio_error: str = "",
) -> str:
    """Return the next step for the person with the probes, as a sentence.

    ``tracker`` is that of the meter that is measuring, if any, and ``connection`` the state of its connection, None for
    a typed value; ``diagnosis`` is that of the accepted readings; ``stock`` names the parts on the truck for a failed
    one: ``{component: sentence}``. ``radio_error`` is the fault of Bluetooth itself with its remedy, empty without one.
    """
    point = visit.points.get(visit.focus) if visit.focus else None
    if first := _first_instruction(visit, point):
        return first
    if point is None:
        return f"{_summary(visit)} {diagnosis.summary}".strip()
    if tracker is None or tracker.latest is None:
        if radio_error:
            return f"{radio_error} Your meter connects by itself then. Or type a reading in."
        return "Switch a meter on: its readings appear here as soon as it is heard. Or type a reading in."
    missing = _advice_on_lost_meter(tracker, connection, radio_error)
    is_accepted = bool(visit.accepted[point.key]) and tracker.accepted_at == point.key
    if missing and not is_accepted:
        return missing
    if tracker.is_proving:
        return f"{tracker.name} is proven by {tracker.latest.text}. Now test, and prove it again after the test."
    again = visit.points.get(tracker.again_at or "")
    if again is not None:
        return _advice_on_return(again, point, tracker)
    if is_accepted:
        accepted = _advice_on_accepted(point, visit.accepted[point.key][-1], visit, diagnosis, stock or {})
        return f"{accepted} {missing}".rstrip()
    return _advice_before_acceptance(point, visit, tracker, tracker.latest)


# A connection in one of these states gives no readings, and a person can do something about it.
_LOST_STATES = {ConnectionState.LOST, ConnectionState.SILENT, ConnectionState.NEEDS_ATTENTION}


def _advice_on_lost_meter(tracker: MeterTracker, connection: ConnectionState | None, radio_error: str) -> str:
    """Return what to do about a meter that gives no readings any more; empty while it gives some.

    While Bluetooth itself is at fault, a new battery would be the wrong advice.
    """
    if radio_error and connection not in {None, ConnectionState.CONNECTED}:
        return (
            f"{radio_error} {tracker.name} connects by itself then; measure again after that, or type the reading in."
        )
    if connection not in _LOST_STATES:
        return ""
    happened = "sends nothing" if connection is ConnectionState.SILENT else "is not heard any more"
    battery = f"{tracker.name}'s battery was low: change it." if _has_low_battery(tracker) else ""
    display = "" if battery else " If its display is dark, change its battery; if not, bring it closer."
    return (
        f"{tracker.name} {happened}. {battery}{display.lstrip()} It connects by itself; then measure again, or type the"
        " reading in."
    )


def _has_low_battery(tracker: MeterTracker) -> bool:
    return tracker.low_battery or (tracker.battery is not None and tracker.battery <= LOW_BATTERY)


def _advice_before_acceptance(point: TestPoint, visit: ActiveVisit, tracker: MeterTracker, latest: Reading) -> str:
    if visit.limits[point.key] is None and visit.derived_point_of(point.key) is None:
        return f"Read the rating off the {point.component} and enter it; then {_connect_instruction(point)}."
    if instruction := _setup_instruction(point, visit, tracker, latest):
        return instruction
    if tracker.ambiguous and tracker.judgement is not None:
        return f"{_doubt(tracker, latest, tracker.judgement)} If {_contact_text(point)}, accept this reading."
    if tracker.settling.phase is Phase.IDLE:
        return _sentence(_connect_instruction(point)) + _overload_hint(point, tracker, latest)
    if tracker.settling.phase is Phase.ACCEPTED and not tracker.ambiguous:
        return f"{_disconnect_instruction(point)}, then {_connect_instruction(point)}."
    return "Keep the clamp still." if _is_clamped(point) else "Keep the probes still."


def offered_actions(visit: ActiveVisit, tracker: MeterTracker | None) -> list[KeyAction]:
    """Return the actions that the advice speaks of, for the keys of a screen; ``tracker`` as for `advice`."""
    if visit.ids is None and not visit.points:
        return [KeyAction.VISITS]
    if tracker is None:
        return []
    accept = (tracker.ambiguous and tracker.judgement is not None) or (
        looks_open(tracker) and visit.focus is not None and tracker.point_key == visit.focus
    )
    repeat = tracker.again_at is not None
    return [action for action, offered in ((KeyAction.REPEAT, repeat), (KeyAction.ACCEPT, accept)) if offered]


def _advice_on_return(again: TestPoint, point: TestPoint, tracker: MeterTracker) -> str:
    """Return the choice after probes that came back at once: they may be on the next test point, or on the same again.

    ``again`` is the point that they left, ``point`` the next one.
    """
    titles = _told_apart(again), _told_apart(point)
    if tracker.ambiguous:
        return f"The same reading again. On the {titles[0]}: measure it again. On the {titles[1]}: accept it."
    taken = "was taken" if tracker.accepted_at == point.key else "is taken"
    return f"The reading {taken} for the {titles[1]}. If the probes are on the {titles[0]} again, measure it again."


def _told_apart(point: TestPoint) -> str:
    return f"{point.title}, {_terminals_text(point)}"


def _first_instruction(visit: ActiveVisit, point: TestPoint | None) -> str:
    """Return the instruction that must be followed before anything is measured; empty if there is none."""
    if visit.ids is None and not visit.points:
        return "No visit is open: readings are kept, and belong to none. Begin a visit."
    if visit.plan_question() is not None and not (point and visit.accepted[point.key]):
        return "Answer the question about the machine first: its test points and its cautions follow from it."
    return ""


def _setup_instruction(point: TestPoint, visit: ActiveVisit, tracker: MeterTracker, reading: Reading) -> str:
    """Return the instruction that must be followed before the active point can be measured; empty if there is none."""
    if not reading.is_judgeable:
        return (
            f"{tracker.name} {display_mode_text(reading)}, not the value at the terminals. "
            "Switch that mode off on the meter."
        )
    if _has_unexpected_voltage(point, tracker):
        return (
            f"The meter shows {reading.text}. If the probes are on {_terminals_text(point)}, keep your hands off: a "
            "charge or a source is still there. Discharge or isolate it, and verify."
        )
    if not matches_function(point, reading):
        function = f"{point.coupling} {point.quantity}" if point.coupling else str(point.quantity)
        turn = f"{tracker.name} to {function}"
        if tracker.settling.phase is not Phase.IDLE and (fitting := _fitting_text(point, visit, reading)):
            return f"{tracker.name} reads {reading.text}: {fitting}. Pick that test point, or turn {turn}."
        return f"Turn {turn}, then {_connect_instruction(point)}."
    return ""


def _fitting_text(point: TestPoint, visit: ActiveVisit, reading: Reading) -> str:
    """Return which untested points a reading fits that does not fit the active one; empty if there are none."""
    fitting = [later for later in visit.points_after(point.key) if matches_function(later, reading)]
    if not fitting:
        return ""
    more = f" (and {count_phrase(len(fitting) - 1, 'other')})" if len(fitting) > 1 else ""
    return f"not of the {point.title}; it fits the untested {_told_apart(fitting[0])}{more}"


def _is_clamped(point: TestPoint) -> bool:
    return point.quantity is Quantity.CURRENT and not point.in_series


def display_mode_text(reading: Reading) -> str:
    """Return why a display does not show the value at the probes: ``is on hold and …``, ``shows a difference …``."""
    return "is on hold and shows an old reading" if reading.display_hold else "shows a difference (relative)"


def _terminals_text(point: TestPoint) -> str:
    return f"{point.terminals[0]} and {point.terminals[1]}"


def _connect_instruction(point: TestPoint) -> str:
    if point.in_series:
        return f"isolate, put the meter into the wire between {_terminals_text(point)}, and switch on"
    if point.quantity is Quantity.CURRENT:  # probes of a meter set to amps would short the two terminals
        return f"put the clamp around the lead between {_terminals_text(point)}"
    return f"put the probes on {_terminals_text(point)}"


def _contact_text(point: TestPoint) -> str:
    if point.quantity is Quantity.CURRENT:
        return f"the clamp is around the lead between {_terminals_text(point)}"
    return f"both probes are on {_terminals_text(point)}"


def _doubt(tracker: MeterTracker, reading: Reading, judgement: Judgement) -> str:
    """Return why a reading at rest may not be that of the test point."""
    if tracker.was_on_old_part:
        return (
            f"{reading.text} may be of the old part: the probes were on when it was replaced. Put them on the new one."
        )
    if reads_as_leads(reading) and judgement.verdict is not Verdict.SHORTED:
        return f"{reading.text} is as little as the probes held together may show."
    if reads_as_fingers(reading, judgement):
        return f"{reading.text} is as much as fingers on the probe tips may show."
    if not is_few_counts(reading):
        return judgement.reason
    cause = "a clamp beside a lead" if reading.quantity is Quantity.CURRENT else "a probe in the air"
    return f"{reading.text} is so little that {cause} may show it."


def _disconnect_instruction(point: TestPoint) -> str:
    if point.in_series:
        return "Isolate, and take the meter out of the wire"
    return "Take the clamp off" if _is_clamped(point) else "Take the probes off"


def _overload_hint(point: TestPoint, tracker: MeterTracker, reading: Reading) -> str:
    """Return the sentences on an overload that an open part, or a sound insulation, shows as well as the air."""
    if reading.status is not Status.OVERLOAD or reading.quantity is not Quantity.RESISTANCE:
        return ""
    if point.kind is PointKind.INSULATION:
        return " It reads overload, as it does with the probes in the air: if the probes are on, accept this reading."
    proof = tracker.leads.proof
    if proof is None:
        return (
            " It reads overload, as it does on an open part and in the air: hold the probes together for a second, to "
            "prove the leads, then put them on, and accept this reading."
        )
    if not looks_open(tracker):
        return f" The leads are proven: held together they read {proof.reading.text}."
    return (
        f" OPEN? The leads are proven ({proof.reading.text}), and it reads overload, as it does in the air. If "
        f"{_contact_text(point)}, accept this reading."
    )


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _has_unexpected_voltage(point: TestPoint, tracker: MeterTracker) -> bool:
    """Return whether the meter reads more volts than stray pick-up at a point that should be isolated."""
    reading = tracker.latest
    measuring = tracker.settling.phase is not Phase.IDLE
    return (
        point.state is CircuitState.ISOLATED
        and reading is not None
        and reading.quantity is Quantity.VOLTAGE
        and measuring
        and reading.digits is not None
        and abs(reading.digits) >= LARGEST_STRAY_VOLTAGE.to(reading.unit)
    )


def _advice_on_accepted(
    point: TestPoint, accepted: AcceptedReading, visit: ActiveVisit, diagnosis: Diagnosis, stock: Mapping[str, str]
) -> str:
    part, judgement = point.title, accepted.judgement
    cause = foremost_cause(diagnosis, accepted)
    warning = warning_text(point.kind, judgement.limits, judgement.digits)
    derived_point = visit.derived_point_of(point.key)
    if judgement.question is not None:
        return f"Answer the question about the {part}, or measure it again."
    if judgement.verdict is Verdict.NO_LIMITS and derived_point is not None:
        return f"Kept for the {derived_point.title}.{_next_point_text(point, visit)}"
    if judgement.verdict is Verdict.NO_LIMITS:
        return f"Kept without a verdict. Enter the rating of the {point.component} to have one."
    if judgement.margin is Margin.CLOSE_CALL:
        return f"Close call on the {part}.{warning} {judgement.next_measurement}".rstrip()
    if judgement.verdict is Verdict.CANNOT_TELL:
        return f"This does not tell whether the {part} is within.{warning} {judgement.next_measurement}".rstrip()
    if judgement.verdict is not Verdict.WITHIN:
        if cause is not None:
            on_the_truck = stock.get(point.component, "") if cause.is_decided else ""
            return f"{cause.title} ({cause.confidence}). {cause.next_measurement} {on_the_truck}".rstrip()
        if judgement.verdict in {Verdict.NOTHING_FLOWS, Verdict.OVER_RANGE}:
            return f"The {part}: {judgement.reason}"
        return (
            f"The {part} is not within its limits.{warning} Make sure the probes were on {_terminals_text(point)}, "
            "and measure it again."
        )
    comparison = _comparison(accepted, diagnosis) or f"The {part} is within its limits."
    return f"{comparison}{_next_point_text(point, visit)}"


def _comparison(accepted: AcceptedReading, diagnosis: Diagnosis) -> str:
    """Return the repair or the question that a reading within its limits raises beside earlier ones; else nothing."""
    repair = next((repair for repair in diagnosis.repairs if accepted.number in repair.reading_numbers), None)
    if repair is not None and repair.outcome is not RepairOutcome.WITHIN:
        return repair.text
    return next((asked.question.text for asked in diagnosis.questions if accepted.number in asked.reading_numbers), "")


def _next_point_text(point: TestPoint, visit: ActiveVisit) -> str:
    next_point = next(visit.points_after(point.key), None)
    if next_point is None:
        return f" {_disconnect_instruction(point)}."
    quantity = f", {next_point.quantity}" if _shares_title(next_point, visit) else ""
    return f" Next: {next_point.circuit}, {next_point.title}{quantity}."


def _shares_title(point: TestPoint, visit: ActiveVisit) -> bool:
    """Return whether the title alone does not tell the point: a capacitor's section has µF, volts and amps."""
    return sum(other.title == point.title for other in visit.points.values()) > 1


def _summary(visit: ActiveVisit) -> str:
    # A reading that only serves a derived point has no verdict of its own.
    verdicts = [
        readings[-1].judgement.verdict
        for key, readings in visit.accepted.items()
        if readings and not (readings[-1].judgement.verdict is Verdict.NO_LIMITS and visit.derived_point_of(key))
    ]
    within, cannot_tell = verdicts.count(Verdict.WITHIN), verdicts.count(Verdict.CANNOT_TELL)
    cannot_tell_text = f", {cannot_tell} cannot tell" if cannot_tell else ""
    others = len(verdicts) - within - cannot_tell
    optional = sum(point.optional and not visit.accepted[key] for key, point in visit.points.items())
    which = f"Every test point but {count_phrase(optional, 'optional one')}" if optional else "Every test point"
    measured = f"{which} has a reading: {within} within limits, {others} not within{cannot_tell_text}."
    return " ".join((measured, *_asked_text(visit)))


def _asked_text(visit: ActiveVisit) -> Iterator[str]:
    """Yield the sentence on the open questions, if there are any."""
    asked = visit.open_questions()
    if asked:
        titles = ", ".join(point.title for point, _ in asked)
        yield f"{count_phrase(len(asked), 'question')} to answer: {titles}."

"""Apply every rule to every subject of its kind, and rank the causes."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from meterlink.core.cautions import standard_caution
from meterlink.core.equipment import CircuitState, PointKind
from meterlink.core.units import Quantity
from meterlink.core.verdicts import FAILED_VERDICTS, Margin, Verdict
from meterlink.diagnosis.causes import Cause, CauseKind, Confidence, Diagnosis
from meterlink.diagnosis.evidence import Evidence, Fact, Subject, make_positive_evidence
from meterlink.diagnosis.observations import Case, Observation, PointReadings
from meterlink.diagnosis.proven_flow import with_proven_flow
from meterlink.diagnosis.repairs import find_repairs, repair_questions
from meterlink.diagnosis.rules import WEIGHTS, Rule
from meterlink.diagnosis.subject_kinds import SUBJECTS
from meterlink.diagnosis.subjects import is_resistance_to_ground
from meterlink.diagnosis.summary import summarize

_KIND_ORDER = list(CauseKind)
_UNREMARKABLE_VERDICTS = {Verdict.WITHIN, Verdict.NO_LIMITS, None}


def diagnose(case: Case, rules: Sequence[Rule]) -> Diagnosis:
    """Return the causes that ``rules`` find in the readings of a visit.

    Causes of the kind ``stop`` are first, then the surest; of two equally sure causes, the cheaper one to check is
    first. Causes that contradict each other are all listed, each with the evidence against it.
    """
    case = with_proven_flow(case)
    causes = [
        cause
        for rule in rules
        for subject in SUBJECTS[rule.subject].find_all(case)
        if (cause := _apply_rule(rule, subject, case)) is not None
    ]
    causes = _merge_alike(causes)
    causes = [_decided_or_not(cause, causes, case) for cause in causes]
    causes.sort(key=lambda cause: (cause.kind is not CauseKind.STOP, -cause.score, _KIND_ORDER.index(cause.kind)))
    causes = _put_wider_first(causes)
    ranked = tuple(replace(cause, related=_related_titles(cause, causes)) for cause in causes)
    repairs, questions = find_repairs(case), tuple(repair_questions(case))
    return Diagnosis(summarize(case, ranked, repairs, questions), ranked, _notes(case, ranked), repairs, questions)


def _put_wider_first(causes: Sequence[Cause]) -> list[Cause]:
    """Return ``causes``; of two equally sure ones that which explains the readings of the other, and more, is first."""
    ordered: list[Cause] = []
    for cause in causes:
        place = next((place for place, other in enumerate(ordered) if cause.includes(other)), len(ordered))
        ordered.insert(place, cause)
    return ordered


def _merge_alike(causes: Iterable[Cause]) -> list[Cause]:
    """Return ``causes`` with those of one rule and one title as one: two poles before one open load, two sections that
    are swapped. It is as sure as the surest of them, with the evidence and the readings of all.
    """
    alike: dict[tuple[str, str], list[Cause]] = {}
    for cause in causes:
        alike.setdefault((cause.rule, cause.title), []).append(cause)
    return [_merged(group) if len(group) > 1 else group[0] for group in alike.values()]


def _merged(causes: Sequence[Cause]) -> Cause:
    surest = max(causes, key=lambda cause: cause.score)
    return replace(
        surest,
        evidence_for=tuple(dict.fromkeys(text for cause in causes for text in cause.evidence_for)),
        evidence_against=tuple(dict.fromkeys(text for cause in causes for text in cause.evidence_against)),
        reading_numbers=frozenset[int]().union(*(cause.reading_numbers for cause in causes)),
        evidence_numbers=frozenset[int]().union(*(cause.evidence_numbers for cause in causes)),
    )


def _related_titles(cause: Cause, causes: Sequence[Cause]) -> tuple[str, ...]:
    return tuple(
        other.title for other in causes if other is not cause and other.reading_numbers & cause.reading_numbers
    )


def _apply_rule(rule: Rule, subject: Subject, case: Case) -> Cause | None:
    needed = [fact.evaluate(subject) for fact in rule.needs]
    if not all(evidence.holds for evidence in needed) or any(fact.evaluate(subject).holds for fact in rule.unless):
        return None
    reading_numbers = frozenset[int]().union(*(evidence.reading_numbers for evidence in needed))
    weighted_for, weighted_against = (
        _weighted_evidence(facts, subject) for facts in (rule.evidence_for, rule.evidence_against)
    )
    if rule.kind in {CauseKind.CONNECTION, CauseKind.UPSTREAM, CauseKind.PART} and rule.subject != "visit":
        weighted_against += _measurement_doubts(case, reading_numbers)
    score = (
        rule.base_weight
        + sum(evidence.weight for evidence in needed)
        + _sum_weights(weighted_for)
        - _sum_weights(weighted_against)
    )
    placeholders = subject.placeholders
    title = rule.title.format_map(placeholders)
    decided = rule.decision is not None and not weighted_against and _all_hold(rule.decision.facts, subject)
    next_measurement = rule.decision.text if rule.decision and decided else _next_measurement(rule, subject)
    evidence = (*needed, *(item for item, _ in (*weighted_for, *weighted_against)))
    return Cause(
        rule=rule.key,
        title=title[0].upper() + title[1:],
        kind=rule.kind,
        confidence=Confidence.from_score(score),
        score=score,
        evidence_for=_sentences_of([*needed, *(evidence for evidence, _ in weighted_for)]),
        evidence_against=_sentences_of(evidence for evidence, _ in weighted_against),
        next_measurement=next_measurement.format_map(placeholders),
        caution=f"{standard_caution(rule.next_state, rule.next_quantity)} {rule.extra_caution}".rstrip(),
        reading_numbers=reading_numbers,
        evidence_numbers=frozenset[int]().union(*(item.reading_numbers for item in evidence)),
        is_decided=decided,
    )


def _all_hold(facts: Iterable[Fact], subject: Subject) -> bool:
    return all(fact.evaluate(subject).holds for fact in facts)


def _decided_or_not(cause: Cause, causes: Sequence[Cause], case: Case) -> Cause:
    """Return ``cause``; an unlikely one of a reading that is outside its limits, open or shorted, as undecided.

    No weighing makes the reading of an isolated part unlikely: it stands until it is measured again. Volts and amps are
    those of a circuit, in which causes compete: there it stands if no other cause explains it.
    """
    if cause.confidence is not Confidence.UNLIKELY:
        return cause
    explained = frozenset[int]().union(*(other.reading_numbers for other in causes if other.score >= 0))
    stands = any(
        _shows_failure(point_readings, reading)
        and (point_readings.point.state is CircuitState.ISOLATED or reading.number not in explained)
        for point_readings in case.point_readings
        for reading in point_readings.readings
        if reading.number in cause.reading_numbers
    )
    return replace(cause, confidence=Confidence.UNDECIDED) if stands else cause


def _shows_failure(point_readings: PointReadings, reading: Observation) -> bool:
    if reading.verdict in FAILED_VERDICTS or reading.is_displayed_outside:
        return True
    # An overload on ohms is an open part, with or without limits.
    overload = reading.measured.quantity is Quantity.RESISTANCE and reading.measured.digits is None
    return overload and not is_resistance_to_ground(point_readings.point)


def _weighted_evidence(facts: tuple[tuple[Fact, int], ...], subject: Subject) -> list[tuple[Evidence, int]]:
    evaluated = [(fact.evaluate(subject), weight) for fact, weight in facts]
    return [(evidence, evidence.weight or weight) for evidence, weight in evaluated if evidence.holds]


def _measurement_doubts(case: Case, reading_numbers: frozenset[int]) -> list[tuple[Evidence, int]]:
    """Return ``[(evidence, weight)]`` against a fault in the circuit, from the way it was measured.

    Voltage at a test point that should be isolated spoils ohms and capacitance. A low battery puts the meter outside
    its accuracy.
    """
    doubts = []
    for point_readings in case.point_readings:
        if point_readings.numbers.isdisjoint(reading_numbers):
            continue
        needed = [reading for reading in point_readings.readings if reading.number in reading_numbers]
        volts = point_readings.stray_voltages
        if volts:
            text = (
                f"Voltage was read at {point_readings.terminals_text} ({volts[-1].text}), which makes the other"
                " readings there doubtful."
            )
            doubts.append((make_positive_evidence(text, *volts), WEIGHTS["strong"]))
        low_battery = [reading for reading in needed if reading.low_battery]
        if low_battery:
            text = f"The meter's battery was low when it showed {', '.join(reading.text for reading in low_battery)}."
            doubts.append((make_positive_evidence(text, *low_battery), WEIGHTS["moderate"]))
    return doubts


def _next_measurement(rule: Rule, subject: Subject) -> str:
    """Return the measurement that is missing, else that of the rule."""
    for fact, text in rule.measure_first:
        if fact.evaluate(subject).holds is None:
            return text
    return rule.next_measurement


def _sum_weights(weighted: list[tuple[Evidence, int]]) -> int:
    """Return the sum of the weights; of facts from exactly the same readings only the largest weight counts, because
    such facts depend on each other.
    """
    by_readings: dict[frozenset[int], int] = {}
    for evidence, weight in weighted:
        by_readings[evidence.reading_numbers] = max(weight, by_readings.get(evidence.reading_numbers, 0))
    return sum(by_readings.values())


def _sentences_of(evidence: Iterable[Evidence]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(item.text[0].upper() + item.text[1:] for item in evidence if item.text))


def _notes(case: Case, causes: tuple[Cause, ...]) -> tuple[str, ...]:
    explained = frozenset[int]().union(*(cause.reading_numbers | cause.evidence_numbers for cause in causes))
    notes = []
    for point_readings in case.point_readings:
        latest = point_readings.latest
        if latest is None:
            continue
        name = f"{point_readings.point.title} at {point_readings.terminals_text}"
        if latest.verdict is Verdict.NO_LIMITS and point_readings.point.kind is not PointKind.RANGE:
            notes.append(f"{name} reads {latest.text}. It is not judged: its rating is not entered.")
        elif (
            latest.verdict not in _UNREMARKABLE_VERDICTS
            and latest.number not in explained
            and not is_resistance_to_ground(point_readings.point)
        ):
            notes.append(f"{name}: {_reason(latest)} {_what_decides(latest) or 'No rule explains it.'}")
        elif latest.verdict is Verdict.WITHIN and latest.judgement and latest.judgement.margin is Margin.CLOSE_CALL:
            notes.append(f"{name} reads {latest.text}: within its limits, but a close call for this meter.")
    return tuple(notes)


def _what_decides(observation: Observation) -> str:
    """Return the measurement that decides where a reading cannot tell; empty for every other verdict."""
    judgement = observation.judgement
    return judgement.next_measurement if judgement and judgement.verdict is Verdict.CANNOT_TELL else ""


def _reason(observation: Observation) -> str:
    return observation.judgement.reason if observation.judgement else ""

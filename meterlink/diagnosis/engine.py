"""From a case to findings: every rule on every subject it is about."""

from collections.abc import Iterable
from dataclasses import replace

from meterlink.core.cautions import standard_caution
from meterlink.core.equipment import PointKind
from meterlink.core.verdicts import Margin, Verdict
from meterlink.diagnosis.causes import Cause, CauseKind, Confidence, Diagnosis
from meterlink.diagnosis.evidence import Evidence, Fact, Subject, make_positive_evidence
from meterlink.diagnosis.observations import Case, Observation
from meterlink.diagnosis.rules import WEIGHTS, Rule, shipped_rules
from meterlink.diagnosis.subjects import SUBJECTS, is_resistance_to_ground
from meterlink.diagnosis.voltage_levels import stray_voltages

_KIND_ORDER = list(CauseKind)
_UNREMARKABLE_VERDICTS = {Verdict.WITHIN, Verdict.NO_LIMITS, None}


def diagnose(case: Case, rules: tuple[Rule, ...] | None = None) -> Diagnosis:
    """Return what the readings of a visit point to, by the rules given (None: those that ship).

    What must stop work comes first, then the surest; of two alike sure, the one that is cheaper to check. Findings that
    contradict each other are all there, each with what speaks against it.
    """
    found = [
        finding
        for rule in (shipped_rules() if rules is None else rules)
        for subject in SUBJECTS[rule.subject].find_all(case)
        if (finding := _apply_rule(rule, subject, case)) is not None
    ]
    found.sort(
        key=lambda finding: (finding.kind is not CauseKind.STOP, -finding.score, _KIND_ORDER.index(finding.kind))
    )
    findings = tuple(
        replace(
            finding,
            related=tuple(
                other.title
                for other in found
                if other is not finding and other.reading_numbers & finding.reading_numbers
            ),
        )
        for finding in found
    )
    return Diagnosis(_summary(case, findings), findings, _notes(case, findings))


def _apply_rule(rule: Rule, subject: Subject, case: Case) -> Cause | None:
    needed = [fact.evaluate(subject) for fact in rule.needs]
    if not all(each.holds for each in needed) or any(fact.evaluate(subject).holds for fact in rule.unless):
        return None
    readings = frozenset[int]().union(*(each.reading_numbers for each in needed))
    speaks_for, speaks_against = (
        _weighted_evidence(facts, subject) for facts in (rule.evidence_for, rule.evidence_against)
    )
    if rule.kind in {CauseKind.CONNECTION, CauseKind.UPSTREAM, CauseKind.PART} and rule.subject != "visit":
        speaks_against += _measurement_doubts(case, readings)
    score = (
        rule.base_weight + sum(each.weight for each in needed) + _sum_weights(speaks_for) - _sum_weights(speaks_against)
    )
    words = subject.placeholders
    title = rule.title.format_map(words)
    wanted = next(
        (text for fact, text in rule.measure_first if fact.evaluate(subject).holds is None), rule.next_measurement
    )
    return Cause(
        rule=rule.key,
        title=title[0].upper() + title[1:],
        kind=rule.kind,
        confidence=Confidence.from_score(score),
        score=score,
        evidence_for=_sentences_of([*needed, *(each for each, _ in speaks_for)]),
        evidence_against=_sentences_of(each for each, _ in speaks_against),
        next_measurement=wanted.format_map(words),
        caution=f"{standard_caution(rule.next_state, rule.next_quantity)} {rule.extra_caution}".rstrip(),
        reading_numbers=readings,
    )


def _weighted_evidence(facts: tuple[tuple[Fact, int], ...], subject: Subject) -> list[tuple[Evidence, int]]:
    told = [(fact.evaluate(subject), weight) for fact, weight in facts]
    return [(each, each.weight or weight) for each, weight in told if each.holds]


def _measurement_doubts(case: Case, reading_numbers: frozenset[int]) -> list[tuple[Evidence, int]]:
    """Return what speaks against any finding that blames a part: voltage at its test point while that was to be
    isolated, which spoils ohms and capacitance, and a low battery behind one of its readings.
    """
    doubts = []
    for takes in case.point_readings:
        mine = [each for each in takes.readings if each.number in reading_numbers]
        volts = stray_voltages(takes)
        if mine and volts:
            text = f"There was voltage at {takes.terminals_text} ({volts[-1].text}): what was read there besides counts for little."
            doubts.append((make_positive_evidence(text, *volts), WEIGHTS["strong"]))
        low = [each for each in mine if each.low_battery]
        if low:
            text = f"The meter's battery was low when it showed {', '.join(each.text for each in low)}."
            doubts.append((make_positive_evidence(text, *low), WEIGHTS["some"]))
    return doubts


def _sum_weights(weighted: list[tuple[Evidence, int]]) -> int:
    """Add up weights; of facts told from the very same readings only the weightiest counts, for they are not
    independent of each other.
    """
    by_basis: dict[frozenset[int], int] = {}
    for evidence, weight in weighted:
        by_basis[evidence.reading_numbers] = max(weight, by_basis.get(evidence.reading_numbers, 0))
    return sum(by_basis.values())


def _sentences_of(evidence: Iterable[Evidence]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(each.text[0].upper() + each.text[1:] for each in evidence if each.text))


def _summary(case: Case, causes: tuple[Cause, ...]) -> str:
    if not case.observations:
        return "No reading is held: there is nothing to go by."
    likely = [each for each in causes if each.confidence is not Confidence.UNLIKELY]
    if likely and likely[0].kind is CauseKind.STOP:
        return "Stop: look at the first finding before a hand goes there again."
    if likely:
        rivals = [
            each
            for each in likely[1:]
            if each.score == likely[0].score and each.reading_numbers & likely[0].reading_numbers
        ]
        if rivals:
            return "More than one explanation fits as well as any: the next measurement decides."
        return f"The best explanation: {likely[0].title} ({likely[0].confidence})."
    newest = [
        takes.latest for takes in case.point_readings if takes.latest and not is_resistance_to_ground(takes.point)
    ]
    if newest and all(each.verdict is Verdict.WITHIN for each in newest):
        return "Every reading held is within its limits. These readings do not point to a part."
    return "These readings do not point to a part."


def _notes(case: Case, causes: tuple[Cause, ...]) -> tuple[str, ...]:
    explained = frozenset[int]().union(*(each.reading_numbers for each in causes))
    notes = []
    for takes in case.point_readings:
        latest = takes.latest
        if latest is None:
            continue
        where = f"{takes.point.title} at {takes.terminals_text}"
        if latest.verdict is Verdict.NO_LIMITS and takes.point.kind is not PointKind.RANGE:
            notes.append(f"{where} reads {latest.text}; nobody has entered its rating, so it is held against nothing.")
        elif (
            latest.verdict not in _UNREMARKABLE_VERDICTS
            and latest.number not in explained
            and not is_resistance_to_ground(takes.point)
        ):
            notes.append(f"{where}: {_reason(latest)} No rule here explains it.")
        elif latest.verdict is Verdict.WITHIN and latest.judgement and latest.judgement.margin is Margin.CLOSE_CALL:
            notes.append(f"{where} reads {latest.text}: within, and a close call for this meter.")
    return tuple(notes)


def _reason(observation: Observation) -> str:
    return observation.judgement.reason if observation.judgement else ""

"""From a case to findings: every rule on every subject it is about."""

from collections.abc import Iterable
from dataclasses import replace

from meterlink.core.cautions import caution
from meterlink.core.equipment import Check
from meterlink.core.verdicts import Margin, Verdict
from meterlink.diagnosis.causes import Blames, Confidence, Diagnosis, Finding
from meterlink.diagnosis.evidence import Evidence, Fact, Subject, sure
from meterlink.diagnosis.observations import Case, Observation
from meterlink.diagnosis.rules import WEIGHTS, Rule, shipped_rules
from meterlink.diagnosis.subjects import SUBJECTS, to_frame
from meterlink.diagnosis.voltage import stray_voltages

_ORDER = list(Blames)
_SETTLED = {Verdict.WITHIN, Verdict.NO_LIMITS, None}


def diagnose(case: Case, rules: tuple[Rule, ...] | None = None) -> Diagnosis:
    """Return what the readings of a visit point to, by the rules given (None: those that ship).

    What must stop work comes first, then the surest; of two alike sure, the one that is cheaper to check. Findings that
    contradict each other are all there, each with what speaks against it.
    """
    found = [
        finding
        for rule in (shipped_rules() if rules is None else rules)
        for subject in SUBJECTS[rule.of].all_in(case)
        if (finding := _applied(rule, subject, case)) is not None
    ]
    found.sort(key=lambda finding: (finding.blames is not Blames.STOP, -finding.score, _ORDER.index(finding.blames)))
    findings = tuple(
        replace(
            finding,
            beside=tuple(other.title for other in found if other is not finding and other.readings & finding.readings),
        )
        for finding in found
    )
    return Diagnosis(_summary(case, findings), findings, _notes(case, findings))


def _applied(rule: Rule, subject: Subject, case: Case) -> Finding | None:
    needed = [fact.told(subject) for fact in rule.needs]
    if not all(each.holds for each in needed) or any(fact.told(subject).holds for fact in rule.unless):
        return None
    readings = frozenset[int]().union(*(each.rests_on for each in needed))
    speaks_for, speaks_against = (_holding(facts, subject) for facts in (rule.speaks_for, rule.speaks_against))
    if rule.blames in {Blames.CONNECTION, Blames.UPSTREAM, Blames.PART} and rule.of != "visit":
        speaks_against += _doubts(case, readings)
    score = rule.alone + sum(each.weight for each in needed) + _sum(speaks_for) - _sum(speaks_against)
    words = subject.words
    title = rule.title.format_map(words)
    wanted = next((text for fact, text in rule.first if fact.told(subject).holds is None), rule.next)
    return Finding(
        rule=rule.key,
        title=title[0].upper() + title[1:],
        blames=rule.blames,
        confidence=Confidence.of(score),
        score=score,
        evidence_for=_sentences([*needed, *(each for each, _ in speaks_for)]),
        evidence_against=_sentences(each for each, _ in speaks_against),
        next_measurement=wanted.format_map(words),
        caution=f"{caution(rule.next_state, rule.next_quantity)} {rule.care}".rstrip(),
        readings=readings,
    )


def _holding(facts: tuple[tuple[Fact, int], ...], subject: Subject) -> list[tuple[Evidence, int]]:
    told = [(fact.told(subject), weight) for fact, weight in facts]
    return [(each, each.weight or weight) for each, weight in told if each.holds]


def _doubts(case: Case, readings: frozenset[int]) -> list[tuple[Evidence, int]]:
    """Return what speaks against any finding that blames a part: voltage at its test point while that was to be
    isolated, which spoils ohms and capacitance, and a low battery behind one of its readings.
    """
    doubts = []
    for takes in case.takes:
        mine = [each for each in takes.taken if each.number in readings]
        volts = stray_voltages(takes)
        if mine and volts:
            text = (
                f"There was voltage at {takes.where} ({volts[-1].text}): what was read there besides counts for little."
            )
            doubts.append((sure(text, *volts), WEIGHTS["strong"]))
        low = [each for each in mine if each.low_battery]
        if low:
            text = f"The meter's battery was low when it showed {', '.join(each.text for each in low)}."
            doubts.append((sure(text, *low), WEIGHTS["some"]))
    return doubts


def _sum(weighed: list[tuple[Evidence, int]]) -> int:
    """Add up weights; of facts told from the very same readings only the weightiest counts, for they are not
    independent of each other.
    """
    by_basis: dict[frozenset[int], int] = {}
    for evidence, weight in weighed:
        by_basis[evidence.rests_on] = max(weight, by_basis.get(evidence.rests_on, 0))
    return sum(by_basis.values())


def _sentences(told: Iterable[Evidence]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(each.text[0].upper() + each.text[1:] for each in told if each.text))


def _summary(case: Case, findings: tuple[Finding, ...]) -> str:
    if not case.observations:
        return "No reading is held: there is nothing to go by."
    likely = [each for each in findings if each.confidence is not Confidence.UNLIKELY]
    if likely and likely[0].blames is Blames.STOP:
        return "Stop: look at the first finding before a hand goes there again."
    if likely:
        rivals = [each for each in likely[1:] if each.score == likely[0].score and each.readings & likely[0].readings]
        if rivals:
            return "More than one explanation fits as well as any: the next measurement decides."
        return f"The best explanation: {likely[0].title} ({likely[0].confidence})."
    newest = [takes.latest for takes in case.takes if takes.latest and not to_frame(takes.point)]
    if newest and all(each.verdict is Verdict.WITHIN for each in newest):
        return "Every reading held is within its limits. These readings do not point to a part."
    return "These readings do not point to a part."


def _notes(case: Case, findings: tuple[Finding, ...]) -> tuple[str, ...]:
    explained = frozenset[int]().union(*(each.readings for each in findings))
    notes = []
    for takes in case.takes:
        latest = takes.latest
        if latest is None:
            continue
        where = f"{takes.point.title} at {takes.where}"
        if latest.verdict is Verdict.NO_LIMITS and takes.point.check is not Check.RANGE:
            notes.append(f"{where} reads {latest.text}; nobody has entered its rating, so it is held against nothing.")
        elif latest.verdict not in _SETTLED and latest.number not in explained and not to_frame(takes.point):
            notes.append(f"{where}: {_reason(latest)} No rule here explains it.")
        elif latest.verdict is Verdict.WITHIN and latest.judgement and latest.judgement.margin is Margin.CLOSE_CALL:
            notes.append(f"{where} reads {latest.text}: within, and a close call for this meter.")
    return tuple(notes)


def _reason(observation: Observation) -> str:
    return observation.judgement.reason if observation.judgement else ""

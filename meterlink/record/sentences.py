"""The two sentences of a report that a customer reads: the findings, and the work.

They repeat readings, limits and the technician's outcome. They claim no cause and no future.
"""

from collections.abc import Collection, Iterator, Sequence

from meterlink.core.equipment import TestPoint
from meterlink.core.outcomes import Outcome
from meterlink.core.text import count_phrase
from meterlink.core.verdicts import Margin, Verdict
from meterlink.diagnosis.causes import CauseKind, Diagnosis, RepairOutcome
from meterlink.diagnosis.derived_points import DerivedResult
from meterlink.record.entries import FAILED, limits_text, plain
from meterlink.record.model import ReplacedPart
from meterlink.store.rows import HistoryRow, StoredVisit, UnitLeft

_MOST_NAMED = 3  # parts in one sentence; a customer reads no longer list, and the table has all of them

_GOOD = frozenset({RepairOutcome.PROVEN, RepairOutcome.WITHIN})

_SAID_OTHERWISE = FAILED | {Verdict.NOTHING_FLOWS, Verdict.WITHIN, Verdict.NO_LIMITS}

PointRows = Sequence[tuple[TestPoint, HistoryRow]]


def found_sentence(on_arrival: PointRows, derived: Sequence[DerivedResult], diagnosis: Diagnosis) -> str:
    """Return the findings: the readings outside their limits first, of the parts that were there on arrival."""
    if not on_arrival:
        return "Nothing was measured at this visit."
    failed = [_failed_clause(point, row) for point, row in on_arrival if row.judgement.verdict in FAILED]
    failed += [
        f"the meter showed nothing at the {plain(point.title)}, where something should flow"
        for point, row in on_arrival
        if row.judgement.verdict is Verdict.NOTHING_FLOWS
    ]
    failed += [f"the {plain(result.point.title)} is outside its limits" for result in derived if result.failed]
    clauses = [*_first(failed, "not as they should be"), *_other_clauses(on_arrival, after_failed=bool(failed))]
    stops = [plain(cause.title) for cause in diagnosis.causes if cause.kind is CauseKind.STOP]
    warning = f" Before anything else: {'; '.join(stops)}." if stops else ""
    return f"We measured {count_phrase(len(on_arrival), 'test point')}: {'; '.join(clauses)}.{warning}"


def _failed_clause(point: TestPoint, row: HistoryRow) -> str:
    judgement, name = row.judgement, plain(point.title)
    if judgement.verdict is Verdict.OPEN:
        return f"the {name} reads open, so no current passes it"
    if judgement.verdict is Verdict.SHORTED:
        return f"the {name} reads as shorted"
    limits = limits_text(judgement.limits)
    doubt = ", but so little that the meter's own error could be the reason" if _is_close(row) else ""
    return f"the {name} read {plain(row.reading.text)}, outside its limits of {limits}{doubt}"


def _is_close(row: HistoryRow) -> bool:
    return row.judgement.margin is Margin.CLOSE_CALL


def _first(clauses: Sequence[str], noun: str) -> Iterator[str]:
    yield from clauses[:_MOST_NAMED]
    more = len(clauses) - _MOST_NAMED
    if more > 0:
        yield f"{more} more {_are(more)} {noun}"


def _other_clauses(on_arrival: PointRows, *, after_failed: bool) -> Iterator[str]:
    """Yield the numbers of the readings that are not outside."""
    others = [row for _, row in on_arrival if row.judgement.verdict not in {*FAILED, Verdict.NOTHING_FLOWS}]
    within = sum(row.judgement.verdict is Verdict.WITHIN and not _is_close(row) for row in others)
    close = sum(row.judgement.verdict is Verdict.WITHIN and _is_close(row) for row in others)
    unjudged = sum(row.judgement.verdict is Verdict.NO_LIMITS for row in others)
    undecided = [plain(point.title) for point, row in on_arrival if row.judgement.verdict not in _SAID_OTHERWISE]
    if within and not after_failed and within == len(others):
        yield "it is within its limits" if within == 1 else "all are within their limits"
        return
    if within:
        yield f"{within} {_are(within)} within {_their(within)} limits"
    if close:
        yield f"{close} {_are(close)} within {_their(close)} limits, but too close to them for the meter to be sure"
    if unjudged:
        yield f"{unjudged} {_have(unjudged)} no limits to be judged by"
    if undecided:
        more = f" and {len(undecided) - _MOST_NAMED} more" if len(undecided) > _MOST_NAMED else ""
        yield f"no verdict is possible yet on the {', the '.join(undecided[:_MOST_NAMED])}{more}"


def done_sentence(
    stored: StoredVisit, replaced: Sequence[ReplacedPart], now: PointRows, derived: Sequence[DerivedResult]
) -> str:
    """Return the work: the parts replaced with their proof, the outcome, and the parts still outside their limits."""
    clauses = list(_first([_replaced_clause(part) for part in replaced if part.is_there], "replaced, too"))
    still = [plain(point.title) for point, row in now if row.judgement.verdict in FAILED]
    still += [plain(result.point.title) for result in derived if result.failed]
    clauses.append(_outcome_clause(stored, is_replaced=bool(clauses), still=still))
    if still:
        names = ", ".join(f"the {name}" for name in still[:_MOST_NAMED])
        others = " and others" if len(still) > _MOST_NAMED else ""
        clauses.append(f"{names}{others} {_are(len(still))} still outside {_their(len(still))} limits")
    text = "; ".join(clauses)
    return f"{text[0].upper()}{text[1:]}."


def left_lines(left: UnitLeft, *, is_closed: bool) -> Iterator[str]:
    """Yield how power and covers were left at the end of a visit."""
    if not is_closed:
        yield "The visit is not closed yet."
        return
    for thing, verb, state in (("power", "was", left.power_on), ("covers", "were", left.covers_on)):
        if state is None:
            yield f"Nobody recorded how the {thing} {verb} left."
        else:
            yield f"The {thing} {verb} left {'on' if state else 'off'}."


def _replaced_clause(part: ReplacedPart) -> str:
    objection = "; its marking is not one that may replace the old part's" if part.objection else ""
    return f"{_proof_clause(part)}{objection}"


def _proof_clause(part: ReplacedPart) -> str:
    name = f"we replaced the {part.part}"
    if outside := _readings_with(part, {RepairOutcome.OUTSIDE}):
        return f"{name}, but the new one reads {outside}, outside its limits"
    within = _readings_with(part, _GOOD)
    if not within:
        return f"{name}, but no reading proves the new one yet"
    is_whole = all(point.outcome in _GOOD for point in part.points)
    doubt = "" if is_whole else ", but not all of it is proven by a reading"
    return f"{name}, and the new one reads {within}, within its limits{doubt}"


def _readings_with(part: ReplacedPart, outcomes: Collection[RepairOutcome]) -> str:
    return " and ".join(point.after_text for point in part.points if point.outcome in outcomes)


def _outcome_clause(stored: StoredVisit, *, is_replaced: bool, still: Collection[str]) -> str:
    if stored.closed_utc_ns is None:
        return "the visit is not closed yet"
    match stored.outcome:
        case Outcome.REPAIRED:
            return (
                "the technician left the unit as repaired"
                if is_replaced
                else "the technician left the unit as repaired, without a part that is recorded as replaced"
            )
        case Outcome.TEMPORARY_REPAIR:
            return "this is a temporary repair, and a lasting one is still to be made"
        case Outcome.DECLINED:
            return "further repair was declined" if is_replaced else "the repair was declined, and none was made"
        case Outcome.PART_TO_FETCH:
            return "a part is still to be fetched, and the work is not finished"
        case Outcome.NO_FAULT_FOUND:
            return (
                "the visit was closed as 'no fault found', against the readings"
                if still
                else "no fault was found at these test points"
            )
        case _:
            return "no outcome was recorded"


def _are(number: int) -> str:
    return "is" if number == 1 else "are"


def _have(number: int) -> str:
    return "has" if number == 1 else "have"


def _their(number: int) -> str:
    return "its" if number == 1 else "their"

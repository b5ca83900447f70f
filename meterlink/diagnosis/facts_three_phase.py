"""Facts about the windings of a three-phase motor."""

from meterlink.core.units import Quantity
from meterlink.core.verdicts import Verdict
from meterlink.diagnosis.evidence import UNKNOWN, Evidence, fact, make_evidence
from meterlink.diagnosis.facts_readings import describe_point, earlier_reading_agrees
from meterlink.diagnosis.three_phase_windings import ThreePhaseWindings


def _listed(windings: ThreePhaseWindings) -> str:
    return ", ".join(f"{pair.terminals_text} {pair.latest.text}" for pair in windings.pairs if pair.latest is not None)


def _open_count_is(windings: ThreePhaseWindings, count: int) -> Evidence:
    return make_evidence(len(windings.open_pairs) == count, f"{_listed(windings)}.", *windings.latest)


@fact(ThreePhaseWindings, "nothing conducts between any two terminals")
def _all_open(windings: ThreePhaseWindings) -> Evidence:
    """All three pairs read overload."""
    return _open_count_is(windings, 3)


@fact(ThreePhaseWindings, "one terminal is open to both others")
def _two_open(windings: ThreePhaseWindings) -> Evidence:
    """Two of the three pairs read overload; the third conducts."""
    return _open_count_is(windings, 2)


@fact(ThreePhaseWindings, "one pair alone reads overload")
def _one_open(windings: ThreePhaseWindings) -> Evidence:
    """One pair reads overload, and the two others conduct."""
    return _open_count_is(windings, 1)


@fact(ThreePhaseWindings, "the three are not equal")
def _unequal(windings: ThreePhaseWindings) -> Evidence:
    """All conduct, and they differ by more than 5 % of their mean and than the meter's error explains."""
    return _verdict_is(windings, Verdict.OUTSIDE)


@fact(ThreePhaseWindings, "one reads the sum of the two others")
def _delta_open(windings: ThreePhaseWindings) -> Evidence:
    """All conduct, two are equal, and the third is their sum: an open winding in delta."""
    return _verdict_is(windings, Verdict.OPEN)


@fact(ThreePhaseWindings, "one reads almost zero")
def _shorted(windings: ThreePhaseWindings) -> Evidence:
    """A pair reads no more than the test leads alone, and another one more."""
    return _verdict_is(windings, Verdict.SHORTED)


def _verdict_is(windings: ThreePhaseWindings, verdict: Verdict) -> Evidence:
    if windings.open_pairs:
        return make_evidence(False, "", *windings.latest)  # noqa: FBT003  # reads as a sentence
    result = windings.result
    if result is None:
        return UNKNOWN
    return make_evidence(result.verdict is verdict, f"{_listed(windings)}. {result.reason}", *windings.latest)


@fact(ThreePhaseWindings, "an earlier reading of each pair agrees")
def _repeated(windings: ThreePhaseWindings) -> Evidence:
    """Every pair was read before, and those readings agree with the newest ones."""
    agreements = [earlier_reading_agrees(pair) for pair in windings.pairs]
    if any(evidence.holds is None for evidence in agreements):
        return UNKNOWN
    numbers = frozenset[int]().union(*(evidence.reading_numbers for evidence in agreements))
    holds = all(evidence.holds for evidence in agreements)
    return Evidence(holds, "Each pair read the same before." if holds else "", numbers)


@fact(ThreePhaseWindings, "no current was read in its circuit")
def _no_current(windings: ThreePhaseWindings) -> Evidence:
    """A current in the motor's circuit, with power on, was less than the meter can show."""
    circuit = windings.pairs[0].point.circuit
    for point_readings in windings.case.point_readings:
        point, latest = point_readings.point, point_readings.latest
        if point.circuit == circuit and point.quantity is Quantity.CURRENT and latest is not None:
            text = f"{describe_point(point_readings)} read {latest.text} with power on."
            return make_evidence(latest.verdict is Verdict.NOTHING_FLOWS, text, latest)
    return UNKNOWN

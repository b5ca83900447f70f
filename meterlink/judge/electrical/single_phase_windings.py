"""Windings of a single-phase motor: C, S and R, open and shorted windings.

The start winding lies between C and S, the run winding between C and R; between R and S both are in series. So
R–S = C–S + C–R exactly, and because the start winding has the higher resistance, R–S > C–S > C–R (the names are the
trade's, from memory). Leads that were not zeroed add the same resistance r to each reading, so C–S + C–R − R–S = r.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from functools import partial

from meterlink.core.verdicts import Verdict
from meterlink.judge.electrical.winding_readings import (
    PairReading,
    alike,
    conducting_pair_missed,
    only_name,
    winding_sum,
)
from meterlink.judge.electrical.windings_result import WindingsResult

ROLES = ("C", "S", "R")
_SHORT_BETWEEN = {
    frozenset("CS"): "the start winding is shorted",
    frozenset("CR"): "the run winding is shorted",
    frozenset("SR"): "S and R are bridged",
}
_NOT_SEEN = "Turns shorted among themselves keep this sum: compare with the maker's resistances."


def judge_single_phase(
    pairs: Sequence[PairReading], shorted_below: Decimal, marked: Mapping[str, str]
) -> WindingsResult:
    """Judge three readings as those of a single-phase motor.

    ``shorted_below`` is in Ω; ``marked`` maps C, S and R to the names of their terminals, empty where they are not
    marked.
    """
    conducting = [pair for pair in pairs if pair.ohms is not None]
    if len(conducting) < len(pairs):
        return _with_overload(pairs, conducting, marked)
    low, middle, high = sorted(pairs, key=lambda pair: pair.ohms or Decimal(0))
    if low.ohms is not None and low.ohms <= shorted_below:
        return _shorted(low, middle, marked)
    return _conducting(low, middle, high, marked)


def _with_overload(
    pairs: Sequence[PairReading], conducting: Sequence[PairReading], marked: Mapping[str, str]
) -> WindingsResult:
    if not conducting:
        return WindingsResult(
            Verdict.OPEN,
            "OPEN BETWEEN ALL TERMINALS",
            "Nothing conducts between any two terminals: both windings open, or the probes are not on the terminals. "
            "An open internal protector alone would leave R–S reading.",
        )
    if missed := conducting_pair_missed(pairs, or_above_range=True):
        return missed
    (left,) = conducting
    alone = only_name(frozenset().union(*(pair.ends for pair in pairs)) - left.ends)
    role = next((role for role, name in marked.items() if name == alone), None)
    headline = f"OPEN TO {alone}"
    protector = (
        "an open internal protector (or its common lead): let the motor cool, which can take hours, and read again "
        "before condemning it"
    )
    match role:
        case "C":
            reason = f"R–S reads, and every path through C is open: {protector}."
        case "S":
            reason = "C–R reads, and every path to S is open: open start winding."
        case "R":
            reason = "C–S reads, and every path to R is open: open run winding."
        case _:
            reason = (
                f"Only {left} reads. If {alone} is C, this is {protector}. If {alone} is S or R, its winding is open. "
                "The diagram on the terminal cover tells which."
            )
    return WindingsResult(Verdict.OPEN, headline, reason)


def _shorted(low: PairReading, middle: PairReading, marked: Mapping[str, str]) -> WindingsResult:
    if alike(low, middle):
        conclusion = "So does another pair: do the probes touch each other?"
    else:
        roles = frozenset(role for role, name in marked.items() if name in low.ends)
        fault = _SHORT_BETWEEN.get(roles, "a winding there is shorted, or S and R are bridged")
        conclusion = f"{fault[0].upper()}{fault[1:]}."
    reason = f"{low} reads {low.shown}, no more than the test leads alone. {conclusion}"
    return WindingsResult(Verdict.SHORTED, f"SHORTED BETWEEN {low}", reason)


def _conducting(low: PairReading, middle: PairReading, high: PairReading, marked: Mapping[str, str]) -> WindingsResult:
    ohms = [pair.ohms or Decimal(0) for pair in (low, middle, high)]
    error, allowed, leads, adds_up = winding_sum(high.reading, (low.reading, middle.reading))
    say = partial(WindingsResult, sum_error=error, sum_uncertainty=allowed)
    total = f"{middle} and {low} make {ohms[0] + ohms[1]:f} Ω"
    if abs(error) <= allowed and alike(middle, high):
        return say(
            Verdict.CANNOT_TELL,
            "CANNOT TELL",
            f"These readings lie too close for this meter: it may be off by {allowed:.2g} Ω on their sum. Use one with "
            "a finer ohms range, leads zeroed.",
        )
    if alike(low, high):
        return say(
            Verdict.OUTSIDE,
            "OUTSIDE: THREE EQUAL READINGS",
            "A single-phase motor never reads so: its R–S is the sum of the other two. Three equal readings fit a "
            "three-phase motor.",
        )
    if not adds_up:
        told = f"Leads that were not zeroed would have to add {leads:.2g} Ω to each reading. " if leads else ""
        return say(
            Verdict.OUTSIDE,
            "OUTSIDE: DOES NOT ADD UP",
            f"{high} reads {high.shown}, but {total}; the meter may be off by {allowed:.2g} Ω on this. {told}"
            "Clean the terminals, zero the leads and read all three again. If it stays, this is no C–S–R set.",
        )
    if leads:
        adds = (
            f"{total}, and {high} reads {high.shown}: leads add {leads:.2g} Ω (±{allowed:.2g} Ω) to each reading, or "
            f"the contact at {only_name(low.ends & middle.ends)} adds {leads / 2:.2g} Ω to two of them; without that "
            "it adds up"
        )
        say = partial(say, lead_ohms=leads)
    else:
        adds = f"{total}, and {high} reads {high.shown}: it adds up (the meter may be off by {allowed:.2g} Ω on this)"
    return _identified(low, middle, high, marked, adds, say)


def _identified(
    low: PairReading,
    middle: PairReading,
    high: PairReading,
    marked: Mapping[str, str],
    adds: str,
    say: "partial[WindingsResult]",
) -> WindingsResult:
    terminals = {"C": only_name(low.ends & middle.ends)}
    if alike(low, middle):
        if marked and terminals["C"] != marked["C"]:
            return _not_as_marked(
                say(Verdict.OUTSIDE, "", f"C is {terminals['C']} by the readings: {adds}.", terminals)
            )
        return say(
            Verdict.WITHIN,
            f"WITHIN: C = {terminals['C']}, S AND R NOT TOLD APART",
            f"{adds}. {middle} and {low} read alike, so which of them is the start winding these readings do not say. "
            f"{_NOT_SEEN}",
            terminals,
        )
    terminals |= {"S": only_name(middle.ends & high.ends), "R": only_name(low.ends & high.ends)}
    shown = ", ".join(f"{role} = {terminals[role]}" for role in ROLES)
    reason = f"{adds}, and {middle} is the larger of the two: the start winding. {_NOT_SEEN}"
    headline = "C, S AND R AS MARKED" if all(role == name.upper() for role, name in terminals.items()) else shown
    result = say(Verdict.WITHIN, f"WITHIN: {headline}", reason, terminals)
    return _not_as_marked(result) if marked and terminals != marked else result


def _not_as_marked(result: WindingsResult) -> WindingsResult:
    """Return the result of readings that contradict the marking: a part or a name is wrong, so they prove nothing."""
    shown = ", ".join(f"{role} = {name}" for role, name in result.terminals_by_role.items())
    reason = (
        "The readings contradict the marking of the terminals: a lead or a name is swapped, or turns of the start "
        f"winding are shorted. {result.reason}"
    )
    return replace(result, verdict=Verdict.OUTSIDE, headline=f"OUTSIDE: NOT AS MARKED, READS AS {shown}", reason=reason)

"""Facts about the parts that join the supply to its load: the voltage across a fuse, a pole, a blade, a joint."""

from meterlink.core.verdicts import Verdict
from meterlink.diagnosis.closed_paths import LEAST_SHARE_OF_FALL, MAIN_SHARE_OF_FALL, ClosedPath
from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, fact, make_evidence
from meterlink.diagnosis.facts_readings import describe_point, drop_at_rated_amps
from meterlink.diagnosis.observations import is_in_doubt
from meterlink.diagnosis.running_motors import amps_above_rated


@fact(ClosedPath, "it takes much of the voltage that is lost under load")
def _takes_much(path: ClosedPath) -> Evidence:
    """The voltage across it is a fourth of the fall of the line voltage under load or more, and 1 V or more."""
    return path.takes_of_fall(LEAST_SHARE_OF_FALL) or DOES_NOT_HOLD


@fact(ClosedPath, "it takes most of the voltage that is lost under load")
def _takes_most(path: ClosedPath) -> Evidence:
    """The voltage across it is half of the fall of the line voltage under load or more, and 1 V or more."""
    return path.takes_of_fall(MAIN_SHARE_OF_FALL) or DOES_NOT_HOLD


@fact(ClosedPath, "most of the supply is across it")
def _carries_supply(path: ClosedPath) -> Evidence:
    """The voltage across it is more than half of the line voltage."""
    return path.carries_supply or DOES_NOT_HOLD


@fact(ClosedPath, "the voltage across it is above its limit")
def _above_limit(path: ClosedPath) -> Evidence:
    """The voltage across it is above the high limit of its test point."""
    latest = path.point_readings.latest
    if latest is None or latest.judgement is None or latest.judgement.limits is None:
        return UNKNOWN
    limits, digits = latest.judgement.limits, latest.judgement.digits
    above = limits.high is not None and digits is not None and digits > limits.high
    text = f"{describe_point(path.point_readings)}: {latest.judgement.reason}"
    return make_evidence(above or latest.verdict is Verdict.OUTSIDE, text, latest)


@fact(ClosedPath, "the voltage across it is a close call")
def _close(path: ClosedPath) -> Evidence:
    """The meter's error may reach across the limit of the voltage across it."""
    latest = path.point_readings.latest
    close = latest is not None and is_in_doubt(latest)
    return make_evidence(close, f"{describe_point(path.point_readings)} is a close call for this meter.", latest)


@fact(ClosedPath, "at the rated amps the voltage across it would be within its limit")
def _drop_by_amps(path: ClosedPath) -> Evidence:
    """The motor of the unit with the most amps draws more than its rated amps, and the voltage goes with the amps
    (Ohm's law).
    """
    return drop_at_rated_amps(path.point_readings, amps_above_rated(path.case))


@fact(ClosedPath, "it is a pole of a contactor")
def _is_contactor(path: ClosedPath) -> Evidence:
    """Its name has the word contacts: other rules judge these."""
    contacts = "contacts" in path.point_readings.point.component.lower()
    return make_evidence(contacts, "It is a pole of a contactor.", path.point_readings.latest)

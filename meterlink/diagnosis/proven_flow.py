"""Current that one reading proves, for the readings of its circuit that mean something only while it flows."""

from dataclasses import replace

from meterlink.core.units import Quantity
from meterlink.core.verdicts import Verdict
from meterlink.diagnosis.observations import Case, Observation, PointReadings
from meterlink.judge.flow import Flow
from meterlink.judge.judging import judge


def with_proven_flow(case: Case) -> Case:
    """Return ``case`` with no volts across closed contacts judged again where amps of the circuit prove a current.

    The amps may have been read after the volts: 0.00 V then proves a good contact.
    """
    proven = {
        entry.point.circuit
        for entry in case.point_readings
        if entry.point.quantity is Quantity.CURRENT
        and entry.latest is not None
        and entry.latest.verdict not in {Verdict.NOTHING_FLOWS, None}
    }
    entries = tuple(_judge_again(entry) if _is_open(entry, proven) else entry for entry in case.point_readings)
    return case if entries == case.point_readings else replace(case, recorded=entries)


def _is_open(entry: PointReadings, proven: set[str]) -> bool:
    return (
        entry.point.circuit in proven
        and entry.point.quantity is Quantity.VOLTAGE
        and any(reading.verdict is Verdict.NOTHING_FLOWS for reading in entry.readings)
    )


def _judge_again(entry: PointReadings) -> PointReadings:
    return replace(entry, readings=tuple(_with_flow(entry, reading) for reading in entry.readings))


def _with_flow(entry: PointReadings, reading: Observation) -> Observation:
    judgement = reading.judgement
    if judgement is None or judgement.verdict is not Verdict.NOTHING_FLOWS:
        return reading
    judged = judge(entry.point.kind, judgement.limits, reading.measured, reading.accuracy, flow=Flow.PROVEN)
    return replace(reading, judgement=judged)

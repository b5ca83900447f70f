"""Which settled readings are accepted without a key, and which a person must accept.

A display that open probes, or probes that touch each other, show as well is asked about. On ohms an open part and
probes in the air are the same circuit, and a reading of a shorted part may be that of the probes held together: where
nothing tells the two apart, one key does.
"""

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal

from meterlink.core.readings import Phase, Reading, Status
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Judgement, Verdict
from meterlink.settling.detector import reads_alike
from meterlink.settling.lead_proof import reads_as_leads
from meterlink.settling.open_leads import is_few_counts
from meterlink.station.tracker import MeterTracker

# Probes in the air or touching each other give the same verdicts, so a person must accept such a reading.
AMBIGUOUS_VERDICTS = {Verdict.OPEN, Verdict.SHORTED, Verdict.OVER_RANGE}
# Fingers on both tips, with no part between them, read from some tenths of a megohm on. Common practice, no source.
_LEAST_OHMS_OF_FINGERS = Amount(Decimal("0.1"), "MΩ")
# A display that needs the proof of the leads must stay for so long: a tip that slides along a terminal does not.
# Common practice, no source.
STEADY_TIME = 3.0  # s


def judge_settled(
    tracker: MeterTracker, reading: Reading, judge_latest: Callable[[MeterTracker], Judgement | None]
) -> Judgement | None:
    """Return the judgement with which the newest reading is accepted without a key; None if it is not accepted now.

    ``judge_latest`` judges it; it is called only where a reading may be accepted. `MeterTracker.ambiguous` says
    afterwards whether a person must accept it.
    """
    if tracker.settling.settled_reading is not None:
        judgement = judge_latest(tracker)
        tracker.ambiguous = judgement is not None and needs_person(tracker, reading, judgement)
        return None if tracker.ambiguous else judgement
    if not has_proved_itself(tracker):
        return None
    judgement = judge_latest(tracker)
    return judgement if judgement is not None and judgement.verdict is Verdict.SHORTED else None


def needs_person(tracker: MeterTracker, reading: Reading, judgement: Judgement) -> bool:
    """Return whether a person must say that the probes are on the terminals, or on which ones.

    Few volts where limits ask for many are as likely one probe in the air. Less than an ohm may be the probes held
    together, unless they have just read less; megohms of a part that has ohms may be fingers. A reading like the
    accepted one, by probes that came back at once, may be the same part again. Probes that were on a part when it was
    replaced may still be on the old one.
    """
    if tracker.was_on_old_part or tracker.settling.unproven:
        return True
    if tracker.again_at is not None and tracker.accepted is not None and reads_alike(reading, tracker.accepted):
        return True
    if reads_as_leads(reading) and tracker.leads.tells_part(reading):
        return judgement.verdict in AMBIGUOUS_VERDICTS or reads_as_fingers(reading, judgement)
    return may_be_probes_alone(reading, judgement)


def may_be_probes_alone(reading: Reading, judgement: Judgement) -> bool:
    """Return whether probes in the air, held together or in fingers may show such a reading, as well as a part."""
    if judgement.verdict in AMBIGUOUS_VERDICTS or reads_as_leads(reading) or reads_as_fingers(reading, judgement):
        return True
    expects_many = judgement.limits is not None and bool(judgement.limits.low)
    return expects_many and reading.quantity is Quantity.VOLTAGE and is_few_counts(reading)


def reads_as_fingers(reading: Reading, judgement: Judgement) -> bool:
    """Return whether fingers on the probes may show a reading that is above the limits of its part, or has none."""
    limits = judgement.limits
    if reading.quantity is not Quantity.RESISTANCE or reading.digits is None:
        return False
    above = limits is None or (limits.high is not None and judgement.verdict is Verdict.OUTSIDE)
    return above and reading.digits >= _LEAST_OHMS_OF_FINGERS.to(reading.unit)


def has_proved_itself(tracker: MeterTracker) -> bool:
    """Return whether a short that needs a person has proved itself since it settled: no person need say so.

    The leads were proven and parted in this measurement, the reading is more than probes held together show, and it has
    been at rest for `STEADY_TIME`.
    """
    reading = tracker.latest
    return (
        tracker.ambiguous
        and tracker.settling.phase is Phase.ACCEPTED
        and reading is not None
        and not reads_as_leads(reading)
        and tracker.leads.tells_part(reading)
        and tracker.rest_time >= STEADY_TIME
    )


def looks_open(tracker: MeterTracker) -> bool:
    """Return whether the display has shown an overload on ohms for `STEADY_TIME`, after a proof of the leads.

    Probes in the air show the same, so a person is asked.
    """
    latest, leads = tracker.latest, tracker.leads
    return (
        latest is not None
        and latest.status is Status.OVERLOAD
        and leads.proof is not None
        and leads.open_since is not None
        and tracker.last_reading_at - leads.open_since >= STEADY_TIME
    )


def with_lead_proof(tracker: MeterTracker, judgement: Judgement) -> Judgement:
    """Return a judgement of open or shorted on ohms whose reason has the reading of the probes held together."""
    latest, proof = tracker.latest, tracker.leads.proof
    is_ohms = latest is not None and latest.quantity is Quantity.RESISTANCE
    if proof is None or not is_ohms or judgement.verdict not in {Verdict.OPEN, Verdict.SHORTED}:
        return judgement
    text = f"Held together before, the probes read {proof.reading.text}."
    return replace(judgement, reason=f"{judgement.reason} {text}")

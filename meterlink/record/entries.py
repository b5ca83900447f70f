"""Accepted readings as entries of a report: verdict, limits and doubt in words."""

from collections.abc import Collection, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from decimal import ROUND_UP, Context, Decimal

from meterlink.core.equipment import TestPoint
from meterlink.core.text import LONGEST_REMARK, clean_text
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.record.model import EarlierVerdictEntry, Mark, ReadingEntry
from meterlink.store.rows import Correction, EarlierVerdict, HistoryRow

FAILED = frozenset({Verdict.OUTSIDE, Verdict.OPEN, Verdict.SHORTED})
"""The verdicts of a part that is not sound, if the measurement was right."""

TYPED_IN = "typed in"
"""The remark on a reading that a person typed in."""

_WORDS = {
    Verdict.WITHIN: "within limits",
    Verdict.OUTSIDE: "outside limits",
    Verdict.OPEN: "open",
    Verdict.SHORTED: "shorted",
    Verdict.NO_CONTACT: "no contact",
    Verdict.NO_LIMITS: "not judged: no limits",
    Verdict.NOTHING_FLOWS: "nothing flows",
    Verdict.OVER_RANGE: "above the meter's range",
    Verdict.CANNOT_TELL: "cannot tell",
}
_CLOSE = ", close call"
_TWO_DIGITS = Context(prec=2, rounding=ROUND_UP)  # an uncertainty has two significant digits at most (JCGM 100, 7.2.6)


def plain(text: str) -> str:
    """Return a text of the database as one line without control characters."""
    return clean_text(text, LONGEST_REMARK)


def title_text(point: TestPoint) -> str:
    """Return the title of a test point from its cleaned names: ``run capacitor HERM``."""
    return plain(f"{plain(point.component)} {plain(point.section)}")


def terminals_text(terminals: tuple[str, str]) -> str:
    """Return two terminals from their cleaned names: ``C–HERM``."""
    return plain("–".join(map(plain, terminals)))


def number_text(number: Decimal) -> str:
    """Return a number without needless zeros at its end: ``53``, not ``53.0``."""
    return f"{number.normalize():f}"


def limits_text(limits: Limits | None) -> str:
    """Return limits in words: ``47 to 53 µF``, ``at most 14.1 A``; empty without any."""
    if limits is None or (limits.low is None and limits.high is None):
        return ""
    unit = plain(limits.unit)
    if limits.low is None:
        return f"at most {number_text(limits.high or Decimal())} {unit}"
    if limits.high is None:
        return f"at least {number_text(limits.low)} {unit}"
    return f"{number_text(limits.low)} to {number_text(limits.high)} {unit}"


def verdict_text(verdict: Verdict, margin: Margin | None) -> str:
    """Return a verdict in words: ``within limits, close call``."""
    return f"{_WORDS[verdict]}{_CLOSE if margin is Margin.CLOSE_CALL else ''}"


def verdict_mark(verdict: Verdict | None, margin: Margin | None) -> Mark:
    """Return the mark of a verdict; a close call is neither good nor bad."""
    if margin is Margin.CLOSE_CALL:
        return Mark.CLOSE
    if verdict is Verdict.WITHIN:
        return Mark.GOOD
    return Mark.BAD if verdict in FAILED else Mark.UNDECIDED


def site_time(utc_ns: int, zone: tzinfo | None) -> str:
    """Return a time with its offset from UTC, ``2026-07-01 13:05:09 UTC+02:00``; None: the zone of this machine."""
    moment = _moment(utc_ns, zone)
    if moment is None:
        return "time unknown"
    offset = moment.strftime("%z")
    return f"{moment:%Y-%m-%d %H:%M:%S} UTC{offset[:3]}:{offset[3:5]}"


def site_day(utc_ns: int, zone: tzinfo | None) -> str:
    """Return the day of a time, ``2026-07-01``; None: in the zone of this machine."""
    moment = _moment(utc_ns, zone) or datetime(1970, 1, 1, tzinfo=UTC)
    return f"{moment:%Y-%m-%d}"


def _moment(utc_ns: int, zone: tzinfo | None) -> datetime | None:
    try:
        return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=utc_ns // 1000)).astimezone(zone)
    except (ValueError, OverflowError, OSError):  # before 1970 some platforms have no time zones
        return None


def utc_text(utc_ns: int) -> str:
    """Return a time as RFC 3339 in UTC."""
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=utc_ns // 1000)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{moment.microsecond // 1000:03d}Z"


def reading_entry(
    row: HistoryRow, earlier: Sequence[EarlierVerdict], zone: tzinfo | None, *, of_old_part: bool, difference: str = ""
) -> ReadingEntry:
    """Return the entry of an accepted reading; ``earlier`` are the verdicts before its current one.

    ``difference`` is the remark that a corrected profile reads another value; empty for none.
    """
    judgement, limits = row.judgement, row.judgement.limits
    text, said_limits = plain(row.reading.text), limits_text(limits)
    counts = row.void_reason is None
    utc_ns, terminals = row.reading.timestamp.utc_ns, terminals_text(row.terminals)
    return ReadingEntry(
        uid=row.uid,
        point=row.point_key,
        part=plain(row.component if row.section.replace("-", "–") == terminals else f"{row.component} {row.section}"),
        circuit=plain(row.circuit),
        terminals=terminals,
        text=text,
        limits=said_limits or "none",
        verdict=verdict_text(judgement.verdict, judgement.margin),
        mark=verdict_mark(judgement.verdict, judgement.margin),
        counts=counts,
        of_old_part=of_old_part,
        low=None if limits is None else limits.low,
        high=None if limits is None else limits.high,
        value=judgement.digits if limits is not None else None,
        unit=plain(limits.unit) if limits else plain(row.reading.unit),
        scale=_scale_text(text, judgement),
        basis=plain(limits.basis) if limits else "no rating and no limits are known",
        doubt=_doubt_text(judgement),
        expanded_uncertainty=judgement.expanded_uncertainty,
        probability=judgement.probability,
        reason=plain(judgement.reason),
        next_measurement=plain(judgement.next_measurement),
        meter=plain(row.meter.name or row.meter.address),
        accuracy=plain(judgement.accuracy) or "unknown",
        calibration=plain(judgement.calibration) or "nothing entered",
        rule=plain(judgement.rule),
        time=site_time(utc_ns, zone),
        time_utc=utc_text(utc_ns),
        state=str(row.state),
        remarks=(*_remarks(row, earlier, zone, of_old_part=of_old_part), *filter(None, [difference])),
        earlier=tuple(
            EarlierVerdictEntry(
                site_time(before.judged_utc_ns, zone), verdict_text(before.verdict, before.margin), plain(before.reason)
            )
            for before in earlier
        ),
    )


def _remarks(
    row: HistoryRow, earlier: Collection[EarlierVerdict], zone: tzinfo | None, *, of_old_part: bool
) -> list[str]:
    reading = row.reading
    return [
        remark
        for remark, applies in (
            (f"voided, it counts nowhere: {plain(row.void_reason or '')}", row.void_reason is not None),
            ("read off the old part", of_old_part),
            (TYPED_IN, reading.is_typed),
            (
                f"assigned later, {site_time(row.assigned_utc_ns or 0, zone)}",
                row.assigned_utc_ns is not None,
            ),
            (f"judged by an answer: {plain(row.judgement.answer)}", bool(row.judgement.answer)),
            (_decoded_again(row.correction, zone), row.correction is not None),
            ("judged again: an earlier verdict was replaced", bool(earlier)),
            ("the station's clock was not set: the time is uncertain", row.clock_set is False),
            ("the meter's battery was low", reading.low_battery),
        )
        if applies
    ]


def _decoded_again(correction: Correction | None, zone: tzinfo | None) -> str:
    """Return the remark on a reading whose packet was decoded again: the display that was accepted stands in it."""
    if correction is None:
        return ""
    recorder = f" for {plain(correction.technician)}" if correction.technician else ""
    return (
        f"decoded again {site_time(correction.utc_ns, zone)} by {plain(correction.driver)}{recorder},"
        f" accepted as {plain(correction.accepted_as)}"
    )


def _doubt_text(judgement: Judgement) -> str:
    """Return the doubt of a judgement in words; the meter's error and, where worked out, the probability."""
    if judgement.expanded_uncertainty is None or judgement.limits is None:
        return "not worked out"
    half = f"{number_text(_TWO_DIGITS.plus(judgement.expanded_uncertainty))} {plain(judgement.limits.unit)}"
    factor = "" if judgement.coverage_factor is None else f" (k = {judgement.coverage_factor:.2f})"
    prior = f", counting how such parts are spread ({plain(judgement.prior)})" if judgement.prior else ""
    probability = (
        "" if judgement.probability is None else f"; {_percent(judgement.probability)} probable to be within{prior}"
    )
    return f"the meter may be off by {half}{factor}{probability}"


def _percent(probability: float) -> str:
    if not 0.001 <= probability <= 0.999:  # a rounded 0 or 100 % would claim certainty
        return "under 0.1 %" if probability < 0.001 else "over 99.9 %"
    return f"{100 * probability:.1f} %"


def _scale_text(text: str, judgement: Judgement) -> str:
    """Return the text that stands for the picture of the scale."""
    limits = judgement.limits
    if judgement.digits is None or limits is None or (limits.low is None and limits.high is None):
        return ""
    if limits.low is not None and judgement.digits < limits.low:
        place = "below the low limit"
    elif limits.high is not None and judgement.digits > limits.high:
        place = "above the high limit"
    else:
        place = (
            "between the limits" if None not in {limits.low, limits.high} else "on the side of the limit that counts"
        )
    return f"{text}, {place}: {limits_text(limits)}"

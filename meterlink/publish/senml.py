"""Readings and verdicts as SenML packs (RFC 8428) in JSON: pure functions that return outbox rows.

Names, units and records are those of `meterlink.record.senml`. A pack's base name is ``meterlink/<station>/<meter>/``
for raw readings and ``meterlink/<station>/<site>/<unit>/<test point>/`` for accepted readings; a record adds
``voltage``, ``verdict`` and so on.

**Time** is UTC by the station's clock. In RFC 8428 section 4.5.3 a time below 2^28 s is relative to now. A clock that
shows such a time (before 4 July 1978) is not set: the pack then has times relative to its last reading and the record
``clock`` = ``not set``.
"""

import json
from collections.abc import Iterable, Sequence
from decimal import Decimal

from meterlink.core.equipment import Meter, Site, TestPoint
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity, to_base
from meterlink.core.verdicts import Judgement
from meterlink.publish.topics import accepted_topic, readings_topic
from meterlink.record.senml import (
    ABSOLUTE_FROM,
    ROOT,
    Record,
    name_part,
    quantity_record,
    unique_meter_name,
    value_record,
)
from meterlink.store.rows import OutboxRow

_PERCENT = Decimal("0.01")


def readings_message(station: str, meter: Meter, readings: Sequence[Reading], message_id: str) -> OutboxRow:
    """Return the message with the ``readings`` of one meter (at least one), in their order."""
    records = list(_reading_records(readings))
    if any(reading.low_battery for reading in readings):
        records.append({"n": "low-battery", "vb": True})
    records.append({"n": "message-id", "vs": message_id})
    base = _base_record(f"{ROOT}/{name_part(station)}/{name_part(unique_meter_name(meter))}/", readings)
    return OutboxRow(message_id, readings_topic(station, meter), _pack(base, records), droppable=True)


def accepted_message(
    station: str,
    meter: Meter,
    site: Site,
    point: TestPoint,
    reading: Reading,
    judgement: Judgement,
    *,
    reading_uid: str,
    revision: int,
    visit_uid: str,
    message_id: str,
    void_reason: str = "",
    accepted_as: str = "",
) -> OutboxRow:
    """Return the message with one accepted reading, its verdict and the grounds of the verdict.

    Its records: the value, ``verdict``, ``margin``, ``limit-low``, ``limit-high``, ``limit-basis``,
    ``expanded-uncertainty``, ``deviation`` and ``probability`` (ratios), ``rule``, ``accuracy``, ``calibration``,
    ``reason``, ``question`` (an open one) and ``answer``; then site, unit, circuit, component, section, terminals,
    meter, visit and message id as strings. Unknown values have no record. ``reading-id`` is ``reading_uid``, unique
    across stations. A reading that is judged again or voided gets a message of its own with the next ``revision``: the
    highest one counts. A voided reading has ``voided`` (true) and ``void-reason``. One whose packet was decoded again
    by a corrected profile has ``decoded-again`` (true) and ``accepted-as``, the display that was accepted.
    """
    records = [*_reading_records([reading]), *_judgement_records(judgement, reading.quantity)]
    records.append({"n": "revision", "v": revision})
    if void_reason:
        records.append({"n": "voided", "vb": True})
    if accepted_as:
        records.append({"n": "decoded-again", "vb": True})
    texts = {
        "site": site.name,
        "unit": site.unit,
        "circuit": point.circuit,
        "component": point.component,
        "section": point.section,
        "test-point": point.key,
        "terminals": "–".join(point.terminals),
        "meter": unique_meter_name(meter),
        "visit": visit_uid,
        "reading-id": reading_uid,
        "void-reason": void_reason,
        "accepted-as": accepted_as,
        "message-id": message_id,
    }
    records.extend({"n": name, "vs": text} for name, text in texts.items() if text)
    name = "/".join(name_part(part) for part in (station, site.name, site.unit, point.key))
    base = _base_record(f"{ROOT}/{name}/", [reading])
    return OutboxRow(message_id, accepted_topic(station, site, point), _pack(base, records), droppable=False)


def _judgement_records(judgement: Judgement, quantity: Quantity) -> Iterable[Record]:
    yield {"n": "verdict", "vs": judgement.verdict.value}
    if judgement.margin is not None:
        yield {"n": "margin", "vs": judgement.margin.value}
    limits = judgement.limits
    if limits is not None:
        for name, limit in (("limit-low", limits.low), ("limit-high", limits.high)):
            if limit is not None:
                yield quantity_record(name, quantity, to_base(limit, limits.unit))
        yield {"n": "limit-basis", "vs": limits.basis}
        if judgement.expanded_uncertainty is not None:
            # A half-width is a difference: from °F only the scale factor applies, not the offset of 32 degrees.
            width = to_base(judgement.expanded_uncertainty, limits.unit) - to_base(Decimal(0), limits.unit)
            yield quantity_record("expanded-uncertainty", quantity, width)
    if judgement.deviation_percent is not None:
        yield {"n": "deviation", "u": "/", "v": float(judgement.deviation_percent * _PERCENT)}
    if judgement.probability is not None:
        yield {"n": "probability", "u": "/", "v": judgement.probability}
    yield {"n": "rule", "vs": judgement.rule}
    yield {"n": "accuracy", "vs": judgement.accuracy}
    yield {"n": "reason", "vs": judgement.reason}
    question = "" if judgement.question is None else judgement.question.text
    texts = (("calibration", judgement.calibration), ("question", question), ("answer", judgement.answer))
    for name, text in texts:
        if text:
            yield {"n": name, "vs": text}


def _reading_records(readings: Sequence[Reading]) -> Iterable[Record]:
    first, last = readings[0].timestamp, readings[-1].timestamp
    absolute = _clock_set(readings)
    for reading in readings:
        timestamp = reading.timestamp
        offset_ns = timestamp.utc_ns - first.utc_ns if absolute else timestamp.monotonic_ns - last.monotonic_ns
        time: Record = {"t": float(Decimal(offset_ns).scaleb(-9))} if offset_ns else {}
        yield value_record(reading) | time


def _base_record(name: str, readings: Sequence[Reading]) -> Record:
    if _clock_set(readings):
        return {"bn": name, "bt": float(Decimal(readings[0].timestamp.utc_ns).scaleb(-9))}
    return {"bn": name, "n": "clock", "vs": "not set"}


def _clock_set(readings: Sequence[Reading]) -> bool:
    return all(reading.timestamp.utc_ns >= ABSOLUTE_FROM for reading in readings)


def _pack(base: Record, records: list[Record]) -> bytes:
    # Without a clock record the base fields are part of the first record, as in RFC 8428 section 5.1.2.
    pack = [base, *records] if "n" in base else [base | records[0], *records[1:]]
    text = json.dumps(pack, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.encode(errors="replace")

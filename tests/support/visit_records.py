"""Records of a visit, of which a report is made: readings judged as a station judges them, without a database."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC
from decimal import Decimal

from meterlink.cli.diagnose import make_point_readings
from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Meter, PointKind, Site, TestPoint
from meterlink.core.outcomes import Outcome
from meterlink.core.readings import Reading, Status
from meterlink.core.replacements import Replacement
from meterlink.core.units import Quantity, parse_amount, parse_unit
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case
from meterlink.judge.judging import judge, limits_for
from meterlink.judge.measured_value import MeasuredValue
from meterlink.record.report import VisitRecord
from meterlink.station.rules import shipped_rules
from meterlink.store.rows import HistoryRow, StoredReplacement, StoredVisit, UnitLeft, VisitNote
from support.points import point, rated, span

BEGIN = 1_782_910_800_000_000_000  # ns since 1970: 2026-07-01T13:00:00Z
MINUTE = 60_000_000_000
SITE = Site("Mill Lane bakery", "Condenser 1")
CAPACITANCE, OHMS, OFF = Quantity.CAPACITANCE, Quantity.RESISTANCE, CircuitState.ISOLATED
_POINTS = {
    "herm": point("compressor", "run capacitor", "C-HERM", CAPACITANCE, OFF, PointKind.CAPACITOR, rated("45"), "HERM"),
    "fan": point("condenser fan", "run capacitor", "C-FAN", CAPACITANCE, OFF, PointKind.CAPACITOR, rated("5"), "FAN"),
    "coil": point("control", "contactor coil", "A1-A2", OHMS, OFF, PointKind.COIL, span("10", "18", "Ω")),
    "winding": point("compressor", "compressor motor", "C-S", OHMS, OFF, PointKind.RANGE, span("2.0", "6.0", "Ω")),
    "line": point(
        "supply", "line", "L1-L2", Quantity.VOLTAGE, CircuitState.ENERGIZED, PointKind.RANGE, span("197", "253", "V")
    ),
}
POINTS = {key: replace(found, key=key) for key, found in _POINTS.items()}


def make_record(
    *read: tuple[str, str],
    replaced: Mapping[str, int] | None = None,
    outcome: Outcome | None = Outcome.REPAIRED,
    site: Site = SITE,
    notes: Sequence[VisitNote] = (),
    points: Mapping[str, TestPoint] = POINTS,
) -> VisitRecord:
    """Return the record of a closed visit; ``read`` has (key of a test point, display text), in order, from number 1.

    ``replaced`` is {component: number of the last reading before it}. The points that were not read are untested.
    """
    rows = [make_row(number, points[key], text, site) for number, (key, text) in enumerate(read, 1)]
    fitted = [_replacement(part, number, site) for part, number in (replaced or {}).items()]
    replacements = tuple(stored.replacement for stored in fitted)
    case = Case(make_point_readings(rows, replacements), replacements=replacements)
    return VisitRecord(
        stored=StoredVisit(
            1, "7f3a0000-0000-4000-8000-000000000001", site, "split-condenser", Timestamp(BEGIN, BEGIN),
            None if outcome is None else BEGIN + 60 * MINUTE, outcome=outcome and str(outcome),
            left=UnitLeft(power_on=True),
        ),
        rows=rows,
        points=tuple(points.values()),
        replacements=fitted,
        notes=notes,
        earlier={},
        facts=(),
        diagnosis=diagnose(case, shipped_rules()),
        derived=(),
        not_proven=(),
        zone=UTC,
    )  # fmt: skip


def make_row(number: int, at: TestPoint, text: str, site: Site = SITE) -> HistoryRow:
    """Return an accepted reading: ``44.1 uF`` or ``OL Mohm``."""
    reading = _reading(at, text, BEGIN + number * MINUTE)
    judgement = judge(at.kind, limits_for(at), MeasuredValue.from_reading(reading))
    return HistoryRow(
        number, f"{number:04x}", reading, judgement, 1.5, site, "7f3a", "split-condenser", at.key, at.circuit,
        at.component, at.section, at.terminals, at.state, at.kind, str(at.specification or ""),
        Meter("00:00:5E:00:53:0A", "clamp meter"), "van-3", "boot-a", "0.1.0", clock_set=True,
    )  # fmt: skip


def _reading(at: TestPoint, text: str, utc_ns: int) -> Reading:
    number, _, unit = text.partition(" ")
    if number == "OL":
        return Reading(at.quantity, None, parse_unit(unit), Timestamp(utc_ns, utc_ns), Status.OVERLOAD)
    amount = parse_amount(text, at.quantity)
    step = Decimal(1).scaleb(int(amount.digits.as_tuple().exponent))
    return Reading(at.quantity, amount.digits, amount.unit, Timestamp(utc_ns, utc_ns), resolution=step)


def _replacement(part: str, after: int, site: Site) -> StoredReplacement:
    utc_ns = BEGIN + after * MINUTE + MINUTE // 2
    swapped = Replacement(
        part, old_rating="45+5 µF 370 V", new_rating="45+5 µF 440 V", after_number=after, utc_ns=utc_ns
    )
    return StoredReplacement("r1", 1, "7f3a", site, swapped, {}, None)

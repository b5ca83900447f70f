"""Records of a visit, of which a report is made: readings judged as a station judges them, without a database."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC
from decimal import Decimal
from io import BytesIO

from PIL import Image

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Meter, PointKind, Site, TestPoint
from meterlink.core.firm import Firm
from meterlink.core.nameplate import UnitFact
from meterlink.core.outcomes import Outcome
from meterlink.core.readings import Reading, Status
from meterlink.core.replacements import Replacement
from meterlink.core.site_facts import SiteFact
from meterlink.core.units import Quantity, parse_amount, parse_unit
from meterlink.core.verdicts import Margin, Verdict
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case
from meterlink.judge.judging import judge, limits_for
from meterlink.judge.measured_value import MeasuredValue
from meterlink.record.model import Report
from meterlink.record.pictures import make_picture
from meterlink.record.report import VisitRecord, make_report
from meterlink.seal.canonical import Json
from meterlink.seal.edition import seal_edition
from meterlink.seal.station_key import new_key
from meterlink.seal.verification import verify_editions
from meterlink.station.rules import shipped_rules
from meterlink.station.stored_diagnosis import make_point_readings
from meterlink.store.rows import EarlierVerdict, HistoryRow, StoredReplacement, StoredVisit, UnitLeft, VisitNote
from meterlink.store.sealed_contents import time_text
from meterlink.store.seals import StoredEdition, StoredSeal
from support.points import point, rated, span

_KEY = new_key()
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

THREE_READINGS = (("line", "236.1 V"), ("herm", "38.2 uF"), ("herm", "45.3 uF"))
"""A capacitor's section before and after its replacement, which comes after the second reading."""
TEN_READINGS = (
    ("line", "236.1 V"), ("herm", "38.2 uF"), ("fan", "5.01 uF"), ("coil", "14 ohm"), ("winding", "4.1 ohm"),
    ("herm", "45.3 uF"), ("fan", "5.02 uF"), ("line", "235 V"), ("coil", "14.1 ohm"), ("winding", "4.0 ohm"),
)  # fmt: skip
"""Ten readings; the capacitor is replaced after the fifth."""


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
    reading = make_reading(at, text, BEGIN + number * MINUTE)
    judgement = judge(at.kind, limits_for(at), MeasuredValue.from_reading(reading))
    return HistoryRow(
        number, f"{number:04x}", reading, judgement, 1.5, site, "7f3a", "split-condenser", at.key, at.circuit,
        at.component, at.section, at.terminals, at.state, at.kind, str(at.specification or ""),
        Meter("00:00:5E:00:53:0A", "clamp meter"), "van-3", "boot-a", "0.1.0", clock_set=True,
    )  # fmt: skip


def make_reading(at: TestPoint, text: str, utc_ns: int) -> Reading:
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


def customers_report(count: int) -> Report:
    """Return the report on a visit of 3 or 10 readings as a customer gets it, with firm, address and seal."""
    readings, after = {3: (THREE_READINGS, 2), 10: (TEN_READINGS, 5)}[count]
    record = replace(
        make_record(*readings, replaced={"run capacitor": after}),
        firm=Firm("Harbour Cooling", "4 Quay Street, 555-0142"),
        site_facts={SiteFact.CUSTOMER: "Mill Lane Bakers", SiteFact.ADDRESS: "7 Mill Lane"},
    )
    visit = record.stored._replace(technician="technician 7", job="2207")
    seal = (
        "Edition 1, sealed 2026-07-01 14:00:00 UTC+00:00. Fingerprint 7f3a 0c11 9e42 55d0. The station's key 09ab 11c4 "
        "5e1d 77f2."
    )
    return replace(make_report(replace(record, stored=visit)), seal=(seal,))


def full_record() -> VisitRecord:
    """Return the record of a visit that has an entry in every section of a report."""
    read = (
        ("line", "236.1 V"), ("herm", "38.2 uF"), ("fan", "4.9 uF"), ("coil", "4.1 ohm"), ("winding", "2.1 ohm"),
        ("herm", "45.3 uF"), ("fan", "5.02 uF"),
    )  # fmt: skip
    points = {**POINTS, "spare": replace(POINTS["coil"], key="spare", component="crankcase heater")}
    notes = (
        VisitNote("a", BEGIN, "Meter proven on a known source: clamp meter read 241.3 V AC."),
        VisitNote("b", BEGIN + MINUTE, "squeaky fan"),
        VisitNote("c", BEGIN + MINUTE, "cover rusted shut", "spare"),
    )
    record = make_record(*read, replaced={"run capacitor": 5}, notes=notes, points=points)
    voided = make_row(8, POINTS["line"], "12.1 V")._replace(void_reason="probe slipped")
    later = make_row(9, POINTS["line"], "235.0 V")._replace(assigned_utc_ns=BEGIN + 30 * MINUTE, clock_set=False)
    earlier = EarlierVerdict(BEGIN, Verdict.OUTSIDE, Margin.CLEAR, "200 to 230 V", "too high", "±(1 %)", "", "simple")
    objected = [stored._replace(objection="The voltage of the old part is unknown.") for stored in record.replacements]
    return replace(
        record,
        rows=[*record.rows, voided, later],
        earlier={later.uid: [earlier]},
        facts=((UnitFact.REFRIGERANT, "R-410A", BEGIN), (UnitFact.NOTE, "key at the bar", BEGIN)),
        photos=(make_picture("plate.png", PNG), make_picture("gone.jpg", None)),
        logo=make_picture("logo.png", PNG),
        firm=Firm("Harbour Cooling", "4 Quay Street"),
        not_proven=("after",),
        site_facts={SiteFact.CUSTOMER: "Mill Lane Bakers", SiteFact.ADDRESS: "7 Mill Lane"},
        replacements=objected,
        seal=_seal(record.stored.uid),
        known_keys={_KEY.public_key},
    )


def _seal(uid: str) -> StoredSeal:
    visit: dict[str, Json] = {"uid": uid}
    edition = seal_edition(visit, 1, (), str(time_text(BEGIN)), _KEY)
    rows = (StoredEdition(edition, 1, BEGIN),)
    return StoredSeal(uid, True, rows, verify_editions([edition], uid), visit, texts={}, salts={})


def _png() -> bytes:
    file = BytesIO()
    Image.new("L", (40, 20), 128).save(file, "PNG")
    return file.getvalue()


PNG = _png()
"""A picture of 40 × 20 pixels."""

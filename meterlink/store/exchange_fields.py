"""The fields of an exported reading: one declaration, from which queries, writers, importers and the dictionary follow.

A field has a name, the SQL that selects it, its kind, and its meaning. ``null`` is the meaning of
null. An anonymous export replaces a field that is ``personal`` (see `Personal`).
"""

from dataclasses import dataclass
from enum import StrEnum

from meterlink.store.views import time_text


class FieldKind(StrEnum):
    """The type of a field's values."""

    TEXT = "text"
    DECIMAL = "decimal"  # text: every digit of the display, zeros at the end among them
    INTEGER = "integer"  # 64 bits, signed
    TIME = "time"  # an integer: ns since 1970 UTC
    REAL = "real"  # 64 bits of IEEE 754
    FLAG = "flag"  # 0 or 1; in JSON false or true
    BYTES = "bytes"  # hexadecimal digits in CSV and JSON


class Personal(StrEnum):
    """The treatment of a field in an anonymous export: its values are numbered (*site 1*), or left out."""

    NO = ""
    SITE = "site"
    UNIT = "unit"
    METER = "meter"
    TECHNICIAN = "technician"
    JOB = "job"
    STATION = "station"
    VISIT = "visit"
    READING = "reading"
    VERDICT = "verdict"
    BOOT = "boot"
    LEFT_OUT = "left out"


@dataclass(frozen=True, slots=True)
class Field:
    """One column or key. ``unit`` is that of its number. ``null`` is empty for a field that is never null."""

    name: str
    sql: str
    kind: FieldKind
    meaning: str
    unit: str = ""
    null: str = ""
    personal: Personal = Personal.NO


_T, _D, _I, _N = FieldKind.TEXT, FieldKind.DECIMAL, FieldKind.INTEGER, FieldKind.TIME
_R, _F, _B = FieldKind.REAL, FieldKind.FLAG, FieldKind.BYTES
_P = Personal
_MONOTONIC = "ns of the monotonic clock of that boot"
_UTC = "ns since 1970 UTC"
_NO_VALUE = "no number: see status"

_PLACE = (
    Field("site", "s.name", _T, "name of the site", personal=_P.SITE),
    Field("unit", "u.name", _T, "name of the unit", personal=_P.UNIT),
)
_BOOT = (
    Field("station", "b.station", _T, "name of the station that recorded it", personal=_P.STATION),
    Field("boot_uid", "b.uid", _T, "start of the station; unique across stations", personal=_P.BOOT),
    Field("boot_id", "b.boot_id", _T, "boot of the machine: monotonic times compare only within one", personal=_P.BOOT),
)
_BOOT_DETAILS = (
    Field("boot_software", "b.software", _T, "version of Meterlink that ran"),
    Field("boot_sqlite", "b.sqlite", _T, "version of SQLite that it used"),
    Field("boot_started_utc_ns", "b.started_utc_ns", _N, "time of that start", _UTC),
    Field("boot_started_monotonic_ns", "b.started_monotonic_ns", _I, "the same moment", _MONOTONIC),
)
_METER = (
    Field("meter_address", "m.address", _T, "address at which the meter was first seen", personal=_P.METER),
    Field("meter", "m.name", _T, "name of the meter; empty for none", personal=_P.METER),
    Field("meter_driver", "m.driver", _T, "driver that reads the meter"),
    Field("meter_serial", "m.serial", _T, "serial number that it reports; empty for none", personal=_P.LEFT_OUT),
)
_CONNECTION = (
    Field("connected_utc_ns", "c.connected_utc_ns", _N, "beginning of the connection to the meter", _UTC),
    Field("connected_monotonic_ns", "c.connected_monotonic_ns", _I, "the same moment", _MONOTONIC),
    Field("ended_utc_ns", "c.ended_utc_ns", _N, "end of that connection", _UTC, "it lasts, or its end is unknown"),
    Field(
        "ended_monotonic_ns", "c.ended_monotonic_ns", _I, "the same moment", _MONOTONIC,
        "it lasts, or its end is unknown",
    ),
    Field("end_reason", "c.end_reason", _T, "reason of that end", null="the connection lasts"),
    Field("driver", "c.driver", _T, "driver that decoded the packet"),
    Field("profile", "c.profile", _T, "profile of that driver; empty for none"),
    Field("profile_hash", "c.profile_hash", _T, "SHA-256 of the profile; empty for none"),
)  # fmt: skip


def _display(table: str) -> tuple[Field, ...]:
    """Return the fields of a display but its digits, of the table ``a`` (accepted readings) or ``st`` (stretches)."""
    return (
        Field("quantity", f"{table}.quantity", _T, "voltage, current, resistance, capacitance, frequency …"),
        Field("unit_symbol", f"{table}.unit", _T, "unit on the display"),
        Field("status", f"{table}.status", _T, "ok, overload (above the range; open, on ohms) or invalid"),
        Field("coupling", f"{table}.coupling", _T, "AC or DC", null="the meter does not say"),
        Field(
            "resolution", f"{table}.resolution", _D, "one count of the display", "unit_symbol",
            "the meter does not say",
        ),
        Field("low_battery", f"{table}.low_battery", _F, "the meter's battery was low"),
        Field("display_hold", f"{table}.display_hold", _F, "the display was frozen"),
        Field("relative", f"{table}.relative", _F, "the display showed a difference to an earlier value"),
        Field("clock_set", f"{table}.clock_set", _F, "the wall clock was set", null="the station could not find out"),
    )  # fmt: skip


_POINT = (
    Field("point", "p.key", _T, "key of the test point in the plan"),
    Field("circuit", "ci.name", _T, "circuit"),
    Field("component", "co.name", _T, "component"),
    Field("section", "co.section", _T, "section of the component; empty for none"),
    Field("terminal_a", "p.terminal_a", _T, "first terminal"),
    Field("terminal_b", "p.terminal_b", _T, "second terminal"),
    Field("point_quantity", "p.quantity", _T, "quantity that the plan asks for"),
    Field("state", "p.state", _T, "state of the circuit that the plan asks for"),
    Field("point_kind", "p.kind", _T, "kind of the test point: how it is judged"),
    Field("point_rating", "p.rating", _T, "rating of the part at the end of the visit; empty for unknown"),
    Field(
        "rating_set_utc_ns", "p.rating_set_utc_ns", _N, "time when the rating was read off the part", _UTC,
        "it is that of the plan",
    ),
)  # fmt: skip

VERDICT_FIELDS = (
    Field("verdict_uid", "j.uid", _T, "the verdict; unique across stations", personal=_P.VERDICT),
    Field("judged_utc_ns", "j.judged_utc_ns", _N, "time of the verdict", _UTC),
    Field("verdict", "j.verdict", _T, "within, outside, open, shorted, no contact, cannot tell …"),
    Field("margin", "j.margin", _T, "clear or close call", null="the verdict is neither within nor outside"),
    Field("limits_low", "j.limits_low", _D, "lower limit", "limits_unit", "there is none"),
    Field("limits_high", "j.limits_high", _D, "upper limit", "limits_unit", "there is none"),
    Field("limits_unit", "j.limits_unit", _T, "unit of the limits", null="there are no limits"),
    Field("limits_basis", "j.limits_basis", _T, "source of the limits", null="there are no limits"),
    Field("limits_nominal", "j.limits_nominal", _D, "nominal value", "limits_unit", "there is none"),
    Field("judged_digits", "j.digits", _D, "the reading in the unit of the limits", "limits_unit", "not compared"),
    Field("deviation_percent", "j.deviation_percent", _D, "deviation from the nominal value", "%", "not known"),
    Field(
        "expanded_uncertainty", "j.expanded_uncertainty", _D, "half-width of the uncertainty", "limits_unit",
        "not known",
    ),
    Field("coverage_factor", "j.coverage_factor", _R, "coverage factor of that half-width", null="not known"),
    Field("probability", "j.probability", _R, "probability that the part is within its limits", "1", "not known"),
    Field("prior", "j.prior", _T, "knowledge about such parts that the probability counts; empty for none"),
    Field("accuracy", "j.accuracy", _T, "accuracy of the meter that was used"),
    Field(
        "calibration", "j.calibration", _T, "calibration of the meter on that day; empty for unknown",
        personal=_P.LEFT_OUT,
    ),
    Field("rule", "j.rule", _T, "decision rule"),
    Field("reason", "j.reason", _T, "reason in words"),
    Field("next_measurement", "j.next_measurement", _T, "measurement that would settle a close call; empty for none"),
    Field("question", "j.question", _T, "the open question with its choices, as JSON", null="nothing is asked"),
    Field("answer", "j.answer", _T, "key of the choice that led to this verdict; empty for none"),
    Field(
        "answered_resolution", "j.resolution", _D, "one count of the display, as an answer gave it", "unit_symbol",
        "no answer gave it",
    ),
    Field("rating", "j.rating", _T, "rating of the part when it was judged; empty for unknown"),
    Field("software", "j.software", _T, "version of Meterlink that judged"),
)  # fmt: skip
"""A verdict on an accepted reading, in rows of ``verdicts j``."""

VOID_FIELDS = (
    Field("void_uid", "x.uid", _T, "the void or its return", null="never voided", personal=_P.VERDICT),
    Field("void_utc_ns", "x.utc_ns", _N, "time of the void or its return", _UTC, "never voided"),
    Field("voided", "x.voided", _F, "1: the reading does not count; 0: it counts again", null="never voided"),
    Field(
        "void_reason", "x.reason", _T, "reason; empty for a return", null="never voided", personal=_P.LEFT_OUT
    ),
)  # fmt: skip
"""A void of an accepted reading or its return, in rows of ``voids x``."""

_NOT_CORRECTED = "it was not decoded again"


def _correction(prefix: str, time: str) -> tuple[Field, ...]:
    """Return the fields of a correction but its display; ``prefix`` begins its columns, ``time`` has its time."""
    null = _NOT_CORRECTED
    return (
        Field(
            "correction_uid", f"{prefix}uid", _T, "the correction: the packet was decoded again", null=null,
            personal=_P.VERDICT,
        ),
        Field("corrected_utc_ns", time, _N, "time of the correction", _UTC, null),
        Field("correction_driver", f"{prefix}driver", _T, "driver that decoded again", null=null),
        Field("correction_profile", f"{prefix}profile", _T, "profile of that driver; empty for none", null=null),
        Field(
            "correction_profile_hash", f"{prefix}profile_hash", _T, "SHA-256 of the profile; empty for none", null=null,
        ),
        Field(
            "correction_technician", f"{prefix}technician", _T, "person who recorded it; empty for unknown", null=null,
            personal=_P.TECHNICIAN,
        ),
        Field("correction_software", f"{prefix}software", _T, "version of Meterlink that decoded again", null=null),
    )  # fmt: skip


CORRECTION_FIELDS = (
    *_correction("w.", "w.utc_ns"),
    Field("digits", "w.digits", _D, "number on the display as decoded again", "unit_symbol", _NO_VALUE),
    Field("value", "w.value", _R, "the same number in V, A, Ω, F, Hz, °C or %", "base unit", _NO_VALUE),
    *(field for field in _display("w") if field.name != "clock_set"),
)
"""A correction of an accepted reading, in rows of ``corrections w``."""

_FIRST_DISPLAY = tuple(
    Field(
        f"first_{name}", f"a.first_{column}", kind, f"{name} as it was accepted, before it was decoded again", unit,
        _NOT_CORRECTED,
    )
    for name, column, kind, unit in (
        ("quantity", "quantity", _T, ""), ("digits", "digits", _D, "first_unit_symbol"),
        ("unit_symbol", "unit", _T, ""), ("status", "status", _T, ""), ("coupling", "coupling", _T, ""),
        ("resolution", "resolution", _D, "first_unit_symbol"), ("low_battery", "low_battery", _F, ""),
        ("display_hold", "display_hold", _F, ""), ("relative", "relative", _F, ""),
    )
)  # fmt: skip

READING_FIELDS = (
    Field("uid", "a.uid", _T, "the accepted reading; unique across stations", personal=_P.READING),
    Field("at", time_text("a.utc_ns"), _T, "time of the reading, UTC, RFC 3339; unreliable if clock_set is 0"),
    *_PLACE,
    Field("visit_uid", "v.uid", _T, "the visit; unique across stations", personal=_P.VISIT),
    *_POINT[:6],
    Field("digits", "a.digits", _D, "number on the display", "unit_symbol", _NO_VALUE),
    Field("value", "a.value", _R, "the same number in V, A, Ω, F, Hz, °C or %", "base unit", _NO_VALUE),
    *_display("a"),
    Field("settled_in", "a.settled_in", _R, "time from the first contact until it was accepted", "s"),
    Field("utc_ns", "a.utc_ns", _N, "time of the reading by the wall clock", _UTC),
    Field("monotonic_ns", "a.monotonic_ns", _I, "the same moment", _MONOTONIC),
    Field(
        "assigned_utc_ns", "a.assigned_utc_ns", _N, "time when it was given to the visit afterwards", _UTC,
        "accepted when it came",
    ),
    *_POINT[6:],
    Field("plan", "v.plan", _T, "name of the plan of the visit"),
    Field("technician", "v.technician", _T, "technician; empty for none", personal=_P.TECHNICIAN),
    Field("job", "v.job", _T, "number or text of the job; empty for none", personal=_P.JOB),
    Field("visit_opened_utc_ns", "v.opened_utc_ns", _N, "beginning of the visit", _UTC),
    Field("visit_opened_monotonic_ns", "v.opened_monotonic_ns", _I, "the same moment", "ns of the monotonic clock"),
    Field("visit_closed_utc_ns", "v.closed_utc_ns", _N, "end of the visit", _UTC, "it is open"),
    Field("visit_boot_uid", "vb.uid", _T, "start of the station in which the visit began", personal=_P.BOOT),
    Field("outcome", "v.outcome", _T, "outcome of the visit", null="the visit is open"),
    Field("power_on", "v.power_on", _F, "the unit was left with its power on", null="nobody said it"),
    Field("covers_on", "v.covers_on", _F, "the unit was left with its covers on", null="nobody said it"),
    *_METER,
    Field("channel", "st.channel", _T, "characteristic that sent the packet"),
    Field("packet", "r.packet", _B, "the bytes as they came", personal=_P.LEFT_OUT),
    *_BOOT,
    *_BOOT_DETAILS,
    *_CONNECTION,
    Field(
        "raw_utc_ns", "st.first_utc_ns + r.utc_offset_us * 1000", _N, "utc_ns as the raw reading has it, to 1 µs", _UTC,
    ),
    Field(
        "raw_monotonic_ns", "st.first_monotonic_ns + (r.utc_offset_us + r.clock_shift_us) * 1000", _I,
        "the same moment", _MONOTONIC,
    ),
    Field("raw_visit_uid", "rv.uid", _T, "visit in which it came", null="it came outside any visit", personal=_P.VISIT),
    Field("raw_point", "rp.key", _T, "test point at which it came", null="it came at no test point"),
    *_FIRST_DISPLAY,
)  # fmt: skip
"""An accepted reading with its present display, its place, meter, visit and clocks, without its verdicts.

It is in rows of ``current_readings a``.
"""

_NEWEST_CORRECTION = _correction("a.correction_", "a.corrected_utc_ns")

ACCEPTED_FIELDS = (*READING_FIELDS, *VERDICT_FIELDS, *VOID_FIELDS, *_NEWEST_CORRECTION)
"""An accepted reading with its current verdict, its newest void and its newest correction: a row of a table."""

LATER_FIELDS = frozenset(field.name for field in (*_FIRST_DISPLAY, *_NEWEST_CORRECTION))
"""The names of the fields that exports of version 1 of the tables lack; without them nothing was decoded again."""

RAW_ROW_FIELDS = (
    Field("at", "", _T, "time of the reading, UTC, RFC 3339, to 1 µs; unreliable if clock_set is 0"),
    Field("utc_ns", "", _N, "the same time, to 1 µs", _UTC),
    Field("monotonic_ns", "", _I, "the same moment, to 1 µs", _MONOTONIC),
    Field("digits", "", _D, "number on the display", "unit_symbol", _NO_VALUE),
    Field("value", "", _R, "the same number in V, A, Ω, F, Hz, °C or %", "base unit", _NO_VALUE),
    Field("packet", "", _B, "the bytes as they came", personal=_P.LEFT_OUT),
)
"""The fields of a raw reading that differ from one to the next; `RawReadings` computes them."""

STRETCH_FIELDS = (
    *_display("st"),
    Field("channel", "st.channel", _T, "characteristic that sent the packet"),
    Field("visit_uid", "v.uid", _T, "the visit", null="it came outside any visit", personal=_P.VISIT),
    Field("point", "p.key", _T, "key of the test point in the plan", null="it came at no test point"),
    *_METER,
    *_BOOT,
    *_CONNECTION,
)
"""The fields that consecutive raw readings have in common."""

RAW_FIELDS = (*RAW_ROW_FIELDS, *STRETCH_FIELDS)
"""A raw reading: a row of a table."""

VISIT_FIELDS = (
    Field("visit_uid", "v.uid", _T, "the visit; unique across stations", personal=_P.VISIT),
    *_PLACE,
    Field("plan", "v.plan", _T, "name of its plan"),
    Field("plan_text", "v.plan_text", _T, "the plan as TOML; empty without a file", personal=_P.LEFT_OUT),
    Field("derived", "v.derived", _T, "derived points of the plan, as JSON"),
    Field("answers", "v.answers", _T, "answers to the questions of the plan, as JSON"),
    Field("carried_answers", "v.carried_answers", _T, "those of an earlier visit, as JSON"),
    Field("technician", "v.technician", _T, "technician; empty for none", personal=_P.TECHNICIAN),
    Field("job", "v.job", _T, "number or text of the job; empty for none", personal=_P.JOB),
    Field("visit_opened_utc_ns", "v.opened_utc_ns", _N, "beginning of the visit", _UTC),
    Field("visit_opened_monotonic_ns", "v.opened_monotonic_ns", _I, "the same moment", "ns of the monotonic clock"),
    Field("visit_closed_utc_ns", "v.closed_utc_ns", _N, "end of the visit", _UTC, "it is open"),
    Field("outcome", "v.outcome", _T, "outcome of the visit", null="it is open"),
    Field("power_on", "v.power_on", _F, "the unit was left with its power on", null="nobody said it"),
    Field("covers_on", "v.covers_on", _F, "the unit was left with its covers on", null="nobody said it"),
    *_BOOT,
    *_BOOT_DETAILS,
)
"""A visit, in rows of ``visits v``."""

POINT_FIELDS = _POINT
"""A test point of a visit, in rows of ``test_points p``."""

NOTE_FIELDS = (
    Field("uid", "n.uid", _T, "the note; unique across stations"),
    Field("utc_ns", "n.utc_ns", _N, "time of the note", _UTC),
    Field("point", "p.key", _T, "test point that is skipped", null="a note on the visit"),
    Field("text", "n.text", _T, "the note; of a skipped test point, the reason"),
)
"""A note on a visit, in rows of ``notes n``. An anonymous export has none."""

REPLACEMENT_FIELDS = (
    Field("uid", "k.uid", _T, "the replacement; unique across stations", personal=_P.VERDICT),
    Field("utc_ns", "k.utc_ns", _N, "time of the replacement", _UTC),
    Field("circuit", "k.circuit", _T, "circuit"),
    Field("component", "k.component", _T, "component"),
    Field("sections", "k.sections", _T, "sections that the new part serves, as JSON; an empty array for all"),
    Field("old_rating", "k.old_rating", _T, "rating of the old part; empty for unknown"),
    Field("new_rating", "k.new_rating", _T, "rating of the new part"),
    Field("ratings", "k.ratings", _T, "old and new rating of each test point, as JSON"),
    Field("objection", "k.objection", _T, "objection of the rules of replacement; empty for none"),
    Field("undone_utc_ns", "k.undone_utc_ns", _N, "time when it was undone", _UTC, "it counts"),
    Field(
        "after_uid", "(SELECT uid FROM accepted_readings WHERE id = k.after_accepted_id)", _T,
        "newest accepted reading of the old part in the visit", null="it has none", personal=_P.READING,
    ),
)  # fmt: skip
"""A part swapped during a visit, in rows of ``replacements k``."""

SEAL_FIELDS = (
    Field("uid", "q.uid", _T, "the sealed edition; unique across stations"),
    Field("edition", "q.edition", _I, "number of the edition, from 1"),
    Field("sealed_utc_ns", "q.sealed_utc_ns", _N, "time of the seal", _UTC),
    Field("text", "q.text", _T, "the text that is signed"),
    Field("public_key", "q.public_key", _T, "Ed25519 key of the station, hexadecimal"),
    Field("signature", "q.signature", _T, "signature over the text, hexadecimal"),
)
"""A sealed edition of a visit, in rows of ``seals q``. An anonymous export has none."""

SALT_FIELDS = (
    Field("subject", "y.subject", _T, "place of the text in the sealed visit"),
    Field("salt", "y.salt", _T, "salt of its hash"),
)
"""A salt of a sealed visit, in rows of ``seal_salts y``. An anonymous export has none."""

KEY_FIELDS = (
    Field("public_key", "z.public_key", _T, "key that sealed an edition of the visit, hexadecimal"),
    Field("station", "z.station", _T, "station that has the key"),
    Field("since_utc_ns", "z.since_utc_ns", _N, "time when the station made it", _UTC),
    Field("ended_utc_ns", "z.ended_utc_ns", _N, "time when it was replaced", _UTC, "it is in use"),
    Field("end_reason", "z.end_reason", _T, "reason of that; empty for none"),
)
"""A key of a sealed visit, in rows of ``station_keys z``. An anonymous export has none."""


def select_list(fields: tuple[Field, ...]) -> str:
    """Return the fields as a list for SELECT."""
    return ", ".join(f"{field.sql} AS {field.name}" for field in fields)

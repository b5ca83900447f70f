"""SenML packs against RFC 8428 (Sensor Measurement Lists) and the IANA registry "SenML Units".

`resolve` is an independent reader, written from RFC 8428 section 4.6. The first tests check it with the RFC's examples;
the others read Meterlink's messages with it.
"""

import json
import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Meter, PointKind, Site, TestPoint
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.publish.senml import accepted_message, readings_message

# The units used here: RFC 8428 section 12.1, the first registration with IANA (read in copies of the registry).
REGISTERED = {"V", "A", "F", "Ohm", "Hz", "Cel", "/", "%EL"}
VALUES = {"v", "vs", "vb", "vd"}
BASES = {"bn", "bt", "bu", "bv", "bs", "bver"}
KNOWN = BASES | VALUES | {"n", "u", "s", "t", "ut"}  # RFC 8428 section 4.3, table 1
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*")  # RFC 8428 section 4.5.1
RELATIVE_BELOW = 2**28  # RFC 8428 section 4.5.3


@dataclass(frozen=True)
class Resolved:
    name: str
    unit: str | None
    value: float | str | bool
    time: float


def resolve(text: str | bytes, now: float) -> list[Resolved]:
    """Return the resolved records of a pack (RFC 8428 section 4.6); assert the rules of the RFC."""
    pack = json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} is not JSON"))
    assert isinstance(pack, list)
    assert pack
    base: dict[str, Any] = {}
    resolved = []
    for record in pack:
        assert record.keys() <= KNOWN
        base |= {key: value for key, value in record.items() if key in BASES}
        value_keys = VALUES & record.keys()
        assert len(value_keys) <= 1, "4.2: at most one value"
        if not value_keys:
            assert record.keys() <= BASES, "4.2: a record without a value has only base fields"
            continue
        name = base.get("bn", "") + record.get("n", "")
        assert NAME.fullmatch(name)
        time = base.get("bt", 0) + record.get("t", 0)
        value = record[value_keys.pop()]
        if "v" in record:
            value += base.get("bv", 0)
        resolved.append(
            Resolved(name, record.get("u", base.get("bu")), value, time if time >= RELATIVE_BELOW else now + time)
        )
    return resolved


NOW = 1_700_000_000.0


def test_resolver_reads_a_single_data_point() -> None:
    # RFC 8428 section 5.1.1
    text = '[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
    assert resolve(text, NOW) == [Resolved("urn:dev:ow:10e2073a01080063", "Cel", 23.1, NOW)]


def test_resolver_reads_multiple_data_points() -> None:
    # RFC 8428 section 5.1.2, first example
    text = """[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
        {"n":"current","u":"A","v":1.2}]"""
    assert resolve(text, NOW) == [
        Resolved("urn:dev:ow:10e2073a01080063:voltage", "V", 120.1, NOW),
        Resolved("urn:dev:ow:10e2073a01080063:current", "A", 1.2, NOW),
    ]


def test_resolver_reads_base_time_and_base_unit() -> None:
    # RFC 8428 section 5.1.2, second example (its numbers; the base name as in the first)
    text = """[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
        "n":"voltage","u":"V","v":120.1},
        {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
        {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]"""
    records = resolve(text, NOW)
    assert [record.unit for record in records] == ["V"] + ["A"] * 6
    assert [record.time for record in records] == [1276020076.001 + step for step in (0, -5, -4, -3, -2, -1, 0)]
    assert [record.value for record in records] == [120.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7]


def test_resolver_adds_offsets_to_the_base_time() -> None:
    # RFC 8428 section 5.1.3: base time 1.320067464e+09 and an offset of 60 s
    text = '[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"u":"Cel","v":1},{"t":60,"v":2}]'
    assert [record.time for record in resolve(text, NOW)] == [1320067464, 1320067524]


METER = Meter("AA:BB:CC:12:34:56", "Amber Seven")
BT = 1_800_000_000_000_000_000


def reading(quantity: Quantity, digits: str | None, unit: str, offset_ns: int = 0, **more: Any) -> Reading:
    number = None if digits is None else Decimal(digits)
    return Reading(quantity, number, unit, Timestamp(BT + offset_ns, 5_000_000_000 + offset_ns), **more)


# Units: IANA "SenML Units". 45 µF is exactly the JSON number 4.5e-05 in F. A percentage has the unit "/" and is divided
# by 100: in RFC 8428 section 12.1 "%" is a discouraged second name of "/", not a percentage.
@pytest.mark.parametrize(
    ("quantity", "digits", "unit", "expected_unit", "expected"),
    [
        (Quantity.CAPACITANCE, "45.0", "µF", "F", 4.5e-05),
        (Quantity.CAPACITANCE, "4.70", "µF", "F", 4.7e-06),
        (Quantity.CAPACITANCE, "470", "nF", "F", 4.7e-07),
        (Quantity.VOLTAGE, "240.1", "V", "V", 240.1),
        (Quantity.VOLTAGE, "-12.5", "mV", "V", -0.0125),
        (Quantity.CURRENT, "6.28", "A", "A", 6.28),
        (Quantity.CURRENT, "350", "µA", "A", 0.00035),
        (Quantity.RESISTANCE, "4.70", "kΩ", "Ohm", 4700.0),
        (Quantity.RESISTANCE, "0.3", "Ω", "Ohm", 0.3),
        (Quantity.FREQUENCY, "60.0", "Hz", "Hz", 60.0),
        (Quantity.TEMPERATURE, "75.2", "°F", "Cel", 24.0),
        (Quantity.TEMPERATURE, "-40", "°F", "Cel", -40.0),
        (Quantity.RATIO, "48.5", "%", "/", 0.485),
        (Quantity.BATTERY, "80", "%", "%EL", 80.0),
    ],
)
def test_units_and_numbers(quantity: Quantity, digits: str, unit: str, expected_unit: str, expected: float) -> None:
    row = readings_message("van", METER, [reading(quantity, digits, unit)], "id-1")
    first = resolve(row.payload, NOW)[0]
    assert first.unit == expected_unit
    assert first.unit in REGISTERED
    assert first.value == expected
    assert first.name == f"meterlink/van/Amber-Seven-123456/{quantity}"
    assert first.time == BT / 1e9


def test_the_json_itself_of_45_microfarad() -> None:
    row = readings_message("van", METER, [reading(Quantity.CAPACITANCE, "45.0", "µF")], "id-1")
    assert row.payload == (
        b'[{"bn":"meterlink/van/Amber-Seven-123456/","bt":1800000000.0,"n":"capacitance","u":"F","v":4.5e-05},'
        b'{"n":"message-id","vs":"id-1"}]'
    )


def test_a_reading_without_a_value_has_no_number() -> None:
    row = readings_message(
        "van",
        METER,
        [
            reading(Quantity.RESISTANCE, None, "Ω", status=Status.OVERLOAD),
            reading(Quantity.VOLTAGE, None, "V", 1_000_000_000, status=Status.INVALID, coupling=Coupling.AC),
            reading(Quantity.VOLTAGE, "NaN", "V", 2_000_000_000),
        ],
        "id-1",
    )
    records = resolve(row.payload, NOW)
    assert [(record.name.rpartition("123456/")[2], record.value) for record in records] == [
        ("resistance/status", "overload"),
        ("voltage-ac/status", "invalid"),
        ("voltage/status", "invalid"),
        ("message-id", "id-1"),
    ]
    assert not any("v" in record for record in json.loads(row.payload))


def test_times_of_an_unset_clock_are_relative() -> None:
    # RFC 8428 section 4.5.3: below 2**28 a time is an offset from now.
    readings = [
        Reading(Quantity.VOLTAGE, Decimal(number), "V", Timestamp(12_000_000_000 + number, number * 10**9))
        for number in (1, 3, 4)
    ]
    records = resolve(readings_message("van", METER, readings, "id-1").payload, NOW)
    assert (records[0].name.rpartition("/")[2], records[0].value) == ("clock", "not set")
    assert [record.time for record in records[1:4]] == [NOW - 3, NOW - 1, NOW]


DIGITS = st.decimals(min_value=-100_000, max_value=100_000, places=4)
SCALES = {
    "µF": (Quantity.CAPACITANCE, "F", Decimal("1e-6")),
    "nF": (Quantity.CAPACITANCE, "F", Decimal("1e-9")),
    "mV": (Quantity.VOLTAGE, "V", Decimal("1e-3")),
    "V": (Quantity.VOLTAGE, "V", Decimal(1)),
    "µA": (Quantity.CURRENT, "A", Decimal("1e-6")),
    "MΩ": (Quantity.RESISTANCE, "Ohm", Decimal("1e6")),
    "kΩ": (Quantity.RESISTANCE, "Ohm", Decimal("1e3")),
    "kHz": (Quantity.FREQUENCY, "Hz", Decimal("1e3")),
    "°C": (Quantity.TEMPERATURE, "Cel", Decimal(1)),
    "%": (Quantity.RATIO, "/", Decimal("0.01")),
}
READING_VALUES = st.tuples(
    DIGITS, st.sampled_from(sorted(SCALES)), st.integers(0, 10**12), st.sampled_from([None, Coupling.AC, Coupling.DC])
)


@given(
    values=st.lists(READING_VALUES, min_size=1, max_size=20), station=st.text(max_size=60), meter=st.text(max_size=60)
)
def test_round_trip(values: list[tuple[Decimal, str, int, Coupling | None]], station: str, meter: str) -> None:
    readings = [
        reading(SCALES[unit][0], str(digits), unit, offset_ns, coupling=coupling)
        for digits, unit, offset_ns, coupling in values
    ]
    row = readings_message(station, Meter("", meter), readings, "id-1")
    records = resolve(row.payload, NOW)
    assert len(records) == len(values) + 1
    for record, (digits, unit, offset_ns, coupling) in zip(records, values, strict=False):
        quantity, base, factor = SCALES[unit]
        assert record.unit == base
        assert record.value == float(digits * factor)  # the double nearest to the exact product
        assert record.name.rpartition("/")[2] == (f"{quantity}-{coupling.lower()}" if coupling else quantity)
        assert record.time == pytest.approx((BT + offset_ns) / 1e9, abs=1e-6)  # a double of 1.8e9 has steps of 0.24 µs
    assert records[-1].value == "id-1"


POINT = TestPoint(
    "herm",
    "compressor",
    "run capacitor",
    ("C", "HERM"),
    Quantity.CAPACITANCE,
    CircuitState.ISOLATED,
    PointKind.CAPACITOR,
    section="HERM",
)
SITE = Site("Cold store 3", "condenser 1")


def accepted(judgement: Judgement, measured: Reading, point: TestPoint = POINT) -> dict[str, Resolved]:
    row = accepted_message(
        "van",
        METER,
        SITE,
        point,
        measured,
        judgement,
        reading_uid="reading-5",
        revision=1,
        visit_uid="visit-9",
        message_id="id-1",
    )
    records = resolve(row.payload, NOW)
    base = f"meterlink/van/Cold-store-3/condenser-1/{point.key}/"
    assert all(record.name.startswith(base) for record in records)
    by_name = {record.name.removeprefix(base): record for record in records}
    assert len(by_name) == len(records)
    return by_name


def test_an_accepted_reading_has_the_grounds_of_its_verdict() -> None:
    # 45 µF ±6 % is 42.3 to 47.7 µF; (41.2 - 45) / 45 = -8.44 %.
    judgement = Judgement(
        Verdict.OUTSIDE,
        Margin.CLEAR,
        Limits(Decimal("42.3"), Decimal("47.7"), "µF", "45 µF ±6 %", Decimal(45)),
        Decimal("41.2"),
        Decimal("-8.44"),
        Decimal("0.5"),
        "1 % + 5",
        "41.2 µF is below 42.3 µF.",
    )
    records = accepted(judgement, reading(Quantity.CAPACITANCE, "41.2", "µF"))
    numbers = {name: (record.value, record.unit) for name, record in records.items() if record.unit}
    assert numbers == {
        "capacitance": (4.12e-05, "F"),
        "limit-low": (4.23e-05, "F"),
        "limit-high": (4.77e-05, "F"),
        "expanded-uncertainty": (5e-07, "F"),
        "deviation": (-0.0844, "/"),
    }
    assert {name: record.value for name, record in records.items() if not record.unit} == {
        "reading-id": "reading-5",
        "revision": 1,
        "verdict": "outside",
        "margin": "clear",
        "limit-basis": "45 µF ±6 %",
        "rule": "simple acceptance",
        "accuracy": "1 % + 5",
        "reason": "41.2 µF is below 42.3 µF.",
        "site": "Cold store 3",
        "unit": "condenser 1",
        "circuit": "compressor",
        "component": "run capacitor",
        "section": "HERM",
        "test-point": "herm",
        "terminals": "C–HERM",
        "meter": "Amber Seven-123456",
        "visit": "visit-9",
        "message-id": "id-1",
    }
    assert {record.time for record in records.values()} == {BT / 1e9}


def test_a_calibration_is_a_record_where_it_is_known() -> None:
    judgement = Judgement(
        Verdict.OPEN, None, None, None, None, None, "", "Open.", calibration="calibration due 2026-03-01"
    )
    records = accepted(judgement, reading(Quantity.RESISTANCE, None, "Ω", status=Status.OVERLOAD))
    assert records["calibration"].value == "calibration due 2026-03-01"


def test_an_open_winding_has_a_verdict_and_no_number() -> None:
    judgement = Judgement(Verdict.OPEN, Margin.CLEAR, None, None, None, None, "", "No path between C and S.")
    records = accepted(judgement, reading(Quantity.RESISTANCE, None, "Ω", status=Status.OVERLOAD))
    assert records["resistance/status"].value == "overload"
    assert records["verdict"].value == "open"
    assert not any(isinstance(record.value, float) for record in records.values())


def test_a_width_in_fahrenheit_is_scaled_without_the_offset() -> None:
    # A difference of 1.8 °F is a difference of 1 °C (NIST SP 811 B.8); 32 °F and 212 °F are 0 °C and 100 °C.
    limits = Limits(Decimal(32), Decimal(212), "°F", "service sheet")
    judgement = Judgement(
        Verdict.WITHIN, Margin.CLOSE_CALL, limits, Decimal("33.8"), None, Decimal("1.8"), "±1.8", "Within."
    )
    records = accepted(judgement, reading(Quantity.TEMPERATURE, "33.8", "°F"))
    names = ("temperature", "limit-low", "limit-high", "expanded-uncertainty")
    assert [records[name].value for name in names] == [1, 0, 100, 1]
    assert records["margin"].value == "close call"

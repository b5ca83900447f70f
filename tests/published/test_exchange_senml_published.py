"""The reader of SenML that an import uses, against the examples of RFC 8428.

The examples were read in public tests of other implementations that quote the RFC, section by section.
"""

import io
import json

import pytest

from meterlink.core.errors import InputError
from meterlink.record.exchange.cbor_form import read_cbor
from meterlink.record.exchange.senml_form import from_senml, read_json
from meterlink.record.senml import ResolvedRecord, resolve
from meterlink.store.exchange_fields import Field, FieldKind

BASE = "urn:dev:ow:10e2073a01080063"
# 5.1.2, second example
SEVEN = """[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
    "n":"voltage","u":"V","v":120.1},
    {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
    {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]"""
# Section 6: the same records in CBOR.
SEVEN_IN_CBOR = (
    "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b00106223614120050067766f6c74616765"
    "01615602fb405e066666666666a3006763757272656e74062402fb3ff3333333333333a3006763757272656e74062302fb3ff4cccccccccc"
    "cda3006763757272656e74062202fb3ff6666666666666a3006763757272656e74062102f93e00a3006763757272656e74062002fb3ff999"
    "999999999aa3006763757272656e74060002fb3ffb333333333333"
)


def read(text: str) -> list[ResolvedRecord]:
    return list(resolve(read_json(io.StringIO(text))))  # type: ignore[arg-type]  # `resolve` checks what it gets


def test_a_single_data_point() -> None:
    # 5.1.1
    (record,) = read('[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]')
    assert (record.name, record.unit, record.value, record.is_relative) == (BASE, "Cel", 23.1, True)


def test_multiple_data_points() -> None:
    # 5.1.2, first example
    voltage, current = read(
        '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},{"n":"current","u":"A","v":1.2}]'
    )
    assert (voltage.name, voltage.value) == (f"{BASE}:voltage", 120.1)
    assert (current.name, current.value, current.begins) == (f"{BASE}:current", 1.2, False)


def test_base_time_and_base_unit() -> None:
    records = read(SEVEN)
    assert [record.unit for record in records] == ["V"] + ["A"] * 6
    assert [record.time for record in records] == [1276020076.001 + step for step in (0, -5, -4, -3, -2, -1, 0)]
    assert [record.value for record in records] == [120.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7]
    assert not any(record.is_relative for record in records)


def test_the_cbor_of_section_6_is_the_json_of_section_5() -> None:
    records = list(read_cbor(io.BufferedReader(io.BytesIO(bytes.fromhex(SEVEN_IN_CBOR)))))
    assert list(resolve(records))[1:-1] == read(SEVEN)[1:-1]
    # The last record has a time of 0 in CBOR, and the first the base time as a double.
    assert [record.value for record in resolve(records)] == [record.value for record in read(SEVEN)]
    assert records[0] == json.loads(SEVEN)[0]


def test_multiple_measurements_resolve_to_the_records_that_the_rfc_gives() -> None:
    # 5.1.3 and, the same in resolved form, 5.1.4
    records = read(
        """[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},{"u":"lon","v":24.30621},
        {"u":"lat","v":60.07965},{"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},{"u":"lat","t":60,"v":60.07965},
        {"t":120,"v":20.7},{"u":"lon","t":120,"v":24.30623},{"u":"lat","t":120,"v":60.07966},
        {"u":"%EL","t":150,"v":98},{"t":180,"v":21.2},{"u":"lon","t":180,"v":24.30628},
        {"u":"lat","t":180,"v":60.07967}]"""
    )
    assert [(record.name, record.unit, record.time, record.value) for record in records] == [
        (BASE, "%RH", 1.320067464e09, 20), (BASE, "lon", 1.320067464e09, 24.30621),
        (BASE, "lat", 1.320067464e09, 60.07965), (BASE, "%RH", 1.320067524e09, 20.3),
        (BASE, "lon", 1.320067524e09, 24.30622), (BASE, "lat", 1.320067524e09, 60.07965),
        (BASE, "%RH", 1.320067584e09, 20.7), (BASE, "lon", 1.320067584e09, 24.30623),
        (BASE, "lat", 1.320067584e09, 60.07966), (BASE, "%EL", 1.320067614e09, 98),
        (BASE, "%RH", 1.320067644e09, 21.2), (BASE, "lon", 1.320067644e09, 24.30628),
        (BASE, "lat", 1.320067644e09, 60.07967),
    ]  # fmt: skip


def test_multiple_data_types() -> None:
    # 5.1.5
    temp, label, is_open, reader = read(
        """[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},{"n":"label","vs":"Machine Room"},
        {"n":"open","vb":false},{"n":"nfc-reader","vd":"aGkgCg"}]"""
    )
    assert (temp.value, label.value, is_open.value) == (23.1, "Machine Room", False)
    assert from_senml(Field("packet", "", FieldKind.BYTES, ""), reader.value) == b"hi \n"


def test_a_collection_of_resources() -> None:
    # 5.1.6: "the last record would use the Base Name from the 3rd record but the Base Time from the first record"
    records = read(
        """[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
        {"n":"humidity","u":"%RH","v":30},{"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
        {"n":"humidity","u":"%RH","v":67}]"""
    )
    assert [record.name for record in records] == [
        "2001:db8::2/temperature", "2001:db8::2/humidity", "2001:db8::1/temperature", "2001:db8::1/humidity",
    ]  # fmt: skip
    assert {record.time for record in records} == {1320078429}
    assert [record.begins for record in records] == [True, False, True, False]


def test_setting_an_actuator() -> None:
    # 5.1.7, first example: the first record has a base name and nothing else
    records = read(
        """[{"bn":"urn:dev:ow:10e2073a01080063:"},{"n":"temp","u":"Cel","v":23.1},{"n":"heat","u":"/","v":1},
        {"n":"fan","u":"/","v":0}]"""
    )
    assert [(record.name, record.unit, record.value) for record in records] == [
        (f"{BASE}:temp", "Cel", 23.1), (f"{BASE}:heat", "/", 1), (f"{BASE}:fan", "/", 0),
    ]  # fmt: skip


def test_setting_two_actuators_at_two_times() -> None:
    # 5.1.7, third example: two lamps are dimmed at once and go off 100 ms later
    records = read(
        """[{"bt":1.320078429e+09,"bu":"/","n":"2001:db8::3","v":0.5},{"n":"2001:db8::4","v":0.5},
        {"n":"2001:db8::3","t":0.1,"v":0},{"n":"2001:db8::4","t":0.1,"v":0}]"""
    )
    assert [(record.name, record.unit, record.time, record.value) for record in records] == [
        ("2001:db8::3", "/", 1320078429, 0.5), ("2001:db8::4", "/", 1320078429, 0.5),
        ("2001:db8::3", "/", 1320078429.1, 0), ("2001:db8::4", "/", 1320078429.1, 0),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ('[{"n":"a","v":1,"vs":"x"}]', "more than one value"),  # section 4.2
        ('[{"n":"a","v":1,"x_":1}]', "must be understood"),  # section 4.4
        ('[{"n":"a","v":1,"bver":11}]', "version 11"),  # section 4.4: 10 is the version without one
        ('[{"n":"é","v":1}]', "no name of SenML"),  # section 4.5.1
        ('[{"n":".a","v":1}]', "no name of SenML"),  # section 4.5.1: the first character
        ('[{"n":"a","v":"1"}]', "'v' is no number"),  # section 5, table 3
        ('[{"n":"a","vb":1}]', "'vb' is neither"),
        ('{"n":"a","v":1}', "no array"),
        ('[{"n":"a","v":1}', "no end"),
    ],
)
def test_rules_of_the_rfc_are_held(text: str, problem: str) -> None:
    with pytest.raises(InputError, match=problem):
        read(text)

"""Topic levels and SenML names of any text."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.equipment import CircuitState, Meter, PointKind, Site, TestPoint
from meterlink.core.units import Quantity
from meterlink.publish.topics import (
    LONGEST_LEVEL,
    accepted_topic,
    readings_topic,
    state_topic,
    topic_level,
)
from meterlink.record.senml import name_part, unique_meter_name


@given(st.text())
def test_every_text_becomes_one_usable_level(text: str) -> None:
    # MQTT 5, 1.5.4 (no NUL, no lone surrogates) and 4.7 (no wildcards or separator in a level).
    level = topic_level(text)
    assert 0 < len(level.encode()) <= LONGEST_LEVEL
    assert not set("+#/\0\x1b\n") & set(level)
    assert level == level.strip()
    assert topic_level(level) == level


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("North van", "North van"),
        ("a/b+c#d", "a-b-c-d"),
        ("  two \t words\n", "two words"),
        ("", "unnamed"),
        ("\0\x1b\u202e", "unnamed"),
        ("Kühlzelle", "Kühlzelle"),
        ("ü" * 40, "ü" * (LONGEST_LEVEL // 2)),
        ("x" + "ü" * 40, "x" + "ü" * ((LONGEST_LEVEL - 1) // 2)),
    ],
)
def test_levels(text: str, expected: str) -> None:
    assert topic_level(text) == expected


def test_topics() -> None:
    meter = Meter("AA:BB:CC:12:34:56", "Amber Seven")
    site = Site("Cold store 3", "condenser 1")
    point = TestPoint(
        "herm",
        "compressor",
        "run capacitor",
        ("C", "H"),
        Quantity.CAPACITANCE,
        CircuitState.ISOLATED,
        PointKind.CAPACITOR,
    )
    sectioned = TestPoint(
        "herm",
        "compressor",
        "run capacitor",
        ("C", "H"),
        Quantity.CAPACITANCE,
        CircuitState.ISOLATED,
        PointKind.CAPACITOR,
        None,
        "H",
    )
    assert readings_topic("van/1", meter) == "meterlink/van-1/readings/Amber Seven-123456"
    assert accepted_topic("van", site, point) == "meterlink/van/accepted/condenser 1/run capacitor"
    assert accepted_topic("van", site, sectioned) == "meterlink/van/accepted/condenser 1/run capacitor/H"
    assert state_topic("van") == "meterlink/van/state"


def test_meters_with_the_same_name_get_different_names() -> None:
    assert unique_meter_name(Meter("AA:BB:CC:12:34:56", "Amber")) != unique_meter_name(
        Meter("AA:BB:CC:12:34:57", "Amber")
    )
    assert unique_meter_name(Meter("", "typed in")) == "typed in"


@given(st.text())
def test_every_text_becomes_part_of_a_senml_name(text: str) -> None:
    # RFC 8428 section 4.5.1, without the "/" that joins the parts.
    assert re.fullmatch(r"[A-Za-z0-9:._-]{1,60}", name_part(text))


@given(st.text(), st.text())
def test_different_texts_get_different_names(first: str, second: str) -> None:
    if "-".join(first.split()) != "-".join(second.split()):
        assert name_part(first) != name_part(second)


@pytest.mark.parametrize(("first", "second"), [("Kühler", "Kohler"), ("ü", "u"), ("a/b", "a-b"), ("x" * 60, "x" * 61)])
def test_similar_texts_get_different_names(first: str, second: str) -> None:
    assert name_part(first) != name_part(second)

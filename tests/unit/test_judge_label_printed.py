"""A question about a label offers what is printed, or there is no question: a wrong rating is a wrong verdict."""

import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.errors import InputError
from meterlink.core.questions import Question
from meterlink.judge.label.rated_part import RatedPart
from meterlink.judge.label.ratings import read_label
from meterlink.judge.label.usual_values import CapacitorKind
from support.examples import examples


def readings(text: str, kind: CapacitorKind | None = None, unit: str | None = None) -> list[RatedPart]:
    """Return the part that a text is, or those that its question offers; none for a refused text."""
    try:
        result = read_label(text, kind=kind, unit=unit)
    except InputError:
        return []
    return [choice.conclusion for choice in result.choices] if isinstance(result, Question) else [result]


def marked_ranges(parts: list[RatedPart]) -> list[tuple[Decimal | None, Decimal | None]]:
    return [(part.marked_range.low, part.marked_range.high) for part in parts if part.marked_range is not None]


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        # A start capacitor is marked with the least and the most that it may have: the most is about a fifth more
        # (common practice, no source). Whoever reads one value instead, or another range, condemns a good part.
        ("1300-1600 uF 330 V", "1300", "1600"),
        ("20-24 uF 330 V", "20", "24"),
        ("20-25 MFD 250 VAC", "20", "25"),
        ("15-18 uF START", "15", "18"),
        ("2000-2400 MFD 125 V", "2000", "2400"),
        ("108-310 MFD 250 V START", "108", "310"),  # far too wide: a worn digit, but the can decides
        ("88-180 MFD 330 V", "88", "180"),
        # Ranges that such parts are usually marked with, from memory.
        ("21-25 uF 330 V", "21", "25"),
        ("88-108 uF 330 V", "88", "108"),
        ("189-227 uF 250 V", "189", "227"),
        ("815-970 uF 165 V", "815", "970"),
        ("1000-1200 uF 125 V", "1000", "1200"),
    ],
)
def test_a_printed_range_is_read_or_offered_first(text: str, low: str, high: str) -> None:
    assert marked_ranges(readings(text))[0] == (Decimal(low), Decimal(high))


def test_a_range_without_a_unit_is_offered_as_a_range() -> None:
    """20-24 on a start capacitor is no part of 20 µF: its 24 is a limit, and not to be left out."""
    question = read_label("20-24 330 V")
    assert isinstance(question, Question)
    assert question.choices[0].key == "20 to 24 µF 330 V as printed"
    assert question.usual is None  # on no usual part, so nobody is nudged to it


def test_the_text_behind_a_choice_as_printed_settles_it() -> None:
    part = read_label("1300 to 1600 µF 330 V as printed")
    assert isinstance(part, RatedPart)
    (limits,) = part.limits()
    assert (limits.low, limits.high) == (1300, 1600)


def test_a_text_without_a_reading_as_printed_is_refused() -> None:
    """106 to 88 has no meaning as it stands. 88 to 106 is likely, but then its two numbers are typed again."""
    with pytest.raises(InputError, match="ends before it begins") as raised:
        read_label("106 to 88 uF 250V")
    assert "88 to 106" in str(raised.value)


# --- properties ------------------------------------------------------------------------------------------------------


@st.composite
def printed_ranges(draw: st.DrawFn) -> tuple[str, Decimal, Decimal]:
    """A text of a start capacitor with a range of any usual width, and its two numbers."""
    low = draw(st.integers(15, 2500))
    high = draw(st.integers(low * 11 // 10 + 1, low * 14 // 10 + 1))
    sign = draw(st.sampled_from(["-", " - ", " to ", "\u2013"]))
    unit = draw(st.sampled_from([" uF", "uF", " MFD", "µF"]))
    volts = draw(st.sampled_from(["", " 110 VAC", " 125V", " 165 V", " 250 VAC", " 330 V", " 220-250V"]))
    more = draw(st.sampled_from(["", " START", " 60 Hz", " START CAP 50/60 Hz", " 2319"]))
    return f"{low}{sign}{high}{unit}{volts}{more}", Decimal(low), Decimal(high)


@pytest.mark.timeout(300)  # s; a busy machine
def test_every_printed_range_is_read_offered_or_refused() -> None:
    @examples(300)
    @given(printed_ranges(), st.sampled_from([None, CapacitorKind.START]))
    def read(case: tuple[str, Decimal, Decimal], kind: CapacitorKind | None) -> None:
        text, low, high = case
        assert (low, high) in marked_ranges(readings(text, kind)), text

    read()


@pytest.mark.timeout(300)  # s; a busy machine
def test_no_range_without_a_unit_is_read_as_another_part() -> None:
    """Without a unit it is read with the unit that is known, offered, or refused, so that it is typed again."""

    @examples(300)
    @given(printed_ranges(), st.sampled_from([None, "µF"]))
    def read(case: tuple[str, Decimal, Decimal], unit: str | None) -> None:
        text, low, high = case
        parts = readings(re.sub(" ?(?:uF|MFD|µF)", "", text), unit=unit)
        assert not parts or (low, high) in marked_ranges(parts), text

    read()


@pytest.mark.timeout(300)  # s; a busy machine
def test_every_printed_value_is_read_or_offered() -> None:
    @examples(300)
    @given(
        st.decimals(1, 1600, places=1),
        st.sampled_from(["", " 370V", " 440 VAC", " 404 V", " 4400 V", " 317 VAC", " 250V"]),
        st.sampled_from(["", " FAN", " RUN", " START", " ±7 %", " 60 Hz"]),
    )
    def read(value: Decimal, volts: str, more: str) -> None:
        text = f"{value.normalize():f} MFD{volts}{more}"
        printed = ([value], list(map(Decimal, re.findall("[0-9]+", volts))))
        offered = [([section.digits for section in part.sections], list(part.volts)) for part in readings(text)]
        assert printed in offered, text

    read()

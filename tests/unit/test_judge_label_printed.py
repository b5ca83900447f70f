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
        # (common practice, no source). Read as one value, or as another range, a good part is condemned.
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


@pytest.mark.parametrize(
    ("text", "rating"),
    [
        # No section has 1 µF: 1 1/2 HP is the motor's (common practice, no source). Half a horsepower with a section
        # before it would be a dual capacitor, and its FAN side would be judged by limits that it never had.
        ("45 uF 440V 1 1/2 HP", "45 µF 440 V"),
        ("45 uF 1 1/2HP 440V", "45 µF 440 V"),
        ("45/5 MFD 440V 1-1/2 HP 1 PH 3450 RPM", "45+5 µF 440 V"),
        ("45 uF 440 VAC, 7 1/2 HP", "45 µF 440 V"),
        ("45 uF 440 VAC 60 Hz 2 1/2 HP", "45 µF 440 V 60 Hz"),
        ("270-324 MFD 250V 1 1/2 HP", "270 to 324 µF 250 V"),
        # Here the number before the fraction is a section: the terminal or the slash ties it to the rating.
        ("HERM 45 uF FAN 5 1/2 HP 440V", "45+5 µF 440 V"),
        ("MFD 5 1/2 HP 370V", "5 µF 370 V"),
        ("45/5 1/2 HORSEPOWER 440V", "45+5 µF 440 V"),
        # Volts before a speed are volts.
        ("5 MFD 370/1075 RPM", "5 µF 370 V"),
        ("1~ 5 MFD 370V", "5 µF 370 V"),
        ("RPM 5 MFD 370V", "5 µF 370 V"),
        ("FRAME 48/5 MFD 370V", "48+5 µF 370 V as printed"),
    ],
)
def test_what_a_motor_is_rated_at_is_no_value_of_the_capacitor(text: str, rating: str) -> None:
    assert rating in map(str, readings(text))


@pytest.mark.parametrize("text", ["45 MFD 5 1/2 HP 440V", "45 MFD 7 1/2 HP 440V"])
def test_a_number_between_a_capacitance_and_half_a_horsepower_is_asked_about(text: str) -> None:
    """45 MFD 7 1/2 HP may be 45+7 and 1/2 HP, or 45 and 7 1/2 HP: only the can decides."""
    offered = set(map(str, readings(text)))
    assert offered >= {"45 µF 440 V", f"45+{text.split()[2]} µF 440 V"}


@pytest.mark.parametrize("text", ["1300-1600", "1300 to 1600 330 V", "2000-2400 125V"])
def test_a_refused_range_is_to_be_typed_with_its_unit(text: str) -> None:
    """Without µF, numbers this large are as often years or a lot: the technician types the two numbers again."""
    with pytest.raises(InputError, match="both numbers of a range with the unit"):
        read_label(text)


def test_a_long_list_keeps_the_reading_that_uses_every_number() -> None:
    """Six choices are shown at most: the one that uses all that is printed is never cut off for likelier values."""
    offered = list(map(str, readings("50uF.440FAN C.60Hz")))
    assert len(offered) == 6
    assert "50 µF 440 V 60 Hz" in offered


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


@pytest.mark.timeout(1200)  # s; a busy machine with the examples of the long set
def test_every_printed_range_is_read_offered_or_refused() -> None:
    @examples(300)
    @given(printed_ranges(), st.sampled_from([None, CapacitorKind.START]))
    def read(case: tuple[str, Decimal, Decimal], kind: CapacitorKind | None) -> None:
        text, low, high = case
        assert (low, high) in marked_ranges(readings(text, kind)), text

    read()


@pytest.mark.timeout(1200)  # s; a busy machine with the examples of the long set
def test_no_range_without_a_unit_is_read_as_another_part() -> None:
    """Without a unit it is read with the unit that is known, offered, or refused, so that it is typed again."""

    @examples(300)
    @given(printed_ranges(), st.sampled_from([None, "µF"]))
    def read(case: tuple[str, Decimal, Decimal], unit: str | None) -> None:
        text, low, high = case
        parts = readings(re.sub(" ?(?:uF|MFD|µF)", "", text), unit=unit)
        assert not parts or (low, high) in marked_ranges(parts), text

    read()


@pytest.mark.timeout(1200)  # s; a busy machine with the examples of the long set
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


@st.composite
def motors(draw: st.DrawFn) -> str:
    """What a motor's plate says beside its capacitor: horsepower, phases, speed."""
    whole = draw(st.sampled_from(["1 1/2", "1-1/2", "1½", "7-1/2", "1 1/4", "1 3/4", "1/3", "3/4", "1", "5", "10"]))
    horsepower = draw(st.sampled_from(["{} HP", "{}HP", "HP {}", "HP: {}", "{} H.P.", "{} horsepower"])).format(whole)
    phases = draw(st.sampled_from(["", " 1 PH", " 3PH", " 1-PHASE", " PH 1", " SINGLE PHASE"]))
    speed = draw(st.sampled_from(["", " 1075 RPM", " 1725RPM", " RPM 3450", " 1075/825 RPM", " 3 SPEED"]))
    return f"{horsepower}{phases}{speed}"


@pytest.mark.timeout(1200)  # s; a busy machine with the examples of the long set
def test_the_motor_beside_a_capacitor_changes_nothing() -> None:
    @examples(300)
    @given(
        st.sampled_from(["5", "7.5", "20", "45", "80", "45/5", "35/7.5", "70+10", "88-108", "270-324", "1300-1600"]),
        st.sampled_from(["", " 250 VAC", " 330V", " 370V", " 440 VAC", " 404 V"]),
        motors(),
        st.integers(0, 2),
    )
    def read(values: str, volts: str, motor: str, place: int) -> None:
        pieces = [f"{values} uF", volts.strip()]
        pieces.insert(place, motor)
        text = " ".join(filter(None, pieces))
        assert list(map(str, readings(text))) == list(map(str, readings(f"{values} uF{volts}"))), text

    read()

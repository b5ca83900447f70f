"""No text yields a value, a voltage or a tolerance that it does not carry."""

import re
from collections.abc import Iterator
from decimal import Decimal
from itertools import combinations, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.errors import InputError
from meterlink.core.questions import Question
from meterlink.judge.label.rated_part import RatedPart
from meterlink.judge.label.ratings import read_label
from studies.labels.markings import HERE, load_markings
from support.examples import examples

MARKINGS = [marking.text for file in sorted(HERE.glob("*.txt")) for marking in load_markings(file.name)]
PIECES = ["0", "1", "5", "7", "45", "440", "10,000", "1/2", "½", "+", "-", "±", "/", ".", ",", "%", " ", "\n", "V",
          "uF", "MFD", "Hz", "J", "K", "M", "S", "O", "x", "_", "~", "AFC", "A", "HERM ", "FAN ", "start",
          "run", "k", "n", "٣", "４", "VCA", "мкФ", "TEST ", "MAX "]  # fmt: skip

_NUMBER = re.compile(r"[0-9]+(?:[.,][0-9]+)?|\.[0-9]+")
_HALVES = {"½": "5", "¼": "25", "¾": "75", "1/2": "5", "1/4": "25", "3/4": "75"}
_MIXED = re.compile(r"([0-9]+)(?:[\s-]*([½¼¾])|[\s-]+(1/2|1/4|3/4))")
_LETTER_PERCENT = {"J": 5, "K": 10, "M": 20}  # IEC 60062
_ASKED_PERCENT = {"N": (30, 30), "Q": (10, 30), "S": (20, 50), "T": (10, 50), "Z": (20, 80)}  # IEC 60062
_FULL_WIDTH = {0xFEE0 + code: chr(code) for code in range(0x21, 0x7F)}
_DIGITS_ALIKE = str.maketrans("OoIlSB", "001158")
_FURTHER_ALIKE = str.maketrans("OoSsBbAaDdGgQqZz", "0055884400660022")  # beside a unit


@st.composite
def spoilt_markings(draw: st.DrawFn) -> str:
    """A marking written by hand, with up to three pieces of it replaced; or halves of two markings."""
    text = draw(st.sampled_from(MARKINGS))
    if draw(st.booleans()):
        text = f"{text[: len(text) // 2]} {draw(st.sampled_from(MARKINGS))[-20:]}"
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, len(text)))
        text = text[:at] + draw(st.sampled_from(["", *PIECES])) + text[at + draw(st.integers(0, 2)) :]
    return text[:150]


def written_numbers(text: str) -> Iterator[Decimal]:
    """Yield the numbers that ``text`` carries, also of nF, pF and kV, and those of a coded 4u7."""
    mixed = [f"{whole}.{_HALVES[sign or slash]}" for whole, sign, slash in _MIXED.findall(text)]
    coded = [".".join(pair) for pair in re.findall(r"([0-9]+)[uµμnp]([0-9]+)", text, re.IGNORECASE)]
    after_point = re.findall(r"(?<=[A-Za-z]\.)[0-9]+", text)  # 50uF.440VAC: the point ends the unit
    spoken = [f"{whole}.5" for whole in re.findall(r"([0-9]+)\s+and\s+(?:a|one)\s+half", text, re.IGNORECASE)]
    spoken += [".".join(pair) for pair in re.findall(r"([0-9]+)\s+(?:point|dot)\s+([0-9]+)", text, re.IGNORECASE)]
    for number in (*mixed, *coded, *after_point, *spoken, *_NUMBER.findall(text)):
        value = Decimal(number.replace(",", "."))
        yield from (value, value / 1000, value / 1_000_000, value * 1000)
        if re.fullmatch("[0-9]+,[0-9]{3}", number):
            yield Decimal(number.replace(",", ""))
        if "," in number:  # a comma between two values
            yield from map(Decimal, filter(None, number.split(",")))


def one_change_away(digits: str) -> Iterator[Decimal]:
    """Yield the numbers that ``digits`` are with one glyph changed, lost or too many, or with two exchanged."""
    for place in range(len(digits) + 1):
        front, back = digits[:place], digits[place:]
        changed = [f"{front}{glyph}{tail}" for glyph in "0123456789." for tail in (back, back[1:])]
        changed += [front + back[1:], front + back[1:2] + back[:1] + back[2:]]
        if back[1:2] == ".":  # 5.7 for 7.5
            changed.append(f"{front}{back[2:3]}.{back[0]}{back[3:]}")
        yield from (Decimal(text) for text in changed if re.fullmatch(r"[0-9]+(?:\.[0-9]+)?", text))


def meant_numbers(text: str) -> Iterator[Decimal]:
    """Yield the further numbers that a choice may have: torn ones, letters that look like digits, one glyph changed."""
    alike = [text.translate(_DIGITS_ALIKE), text.translate(_FURTHER_ALIKE)]
    yield from written_numbers(text.translate(_DIGITS_ALIKE))
    numbers = re.findall("[0-9]+", text.translate(_DIGITS_ALIKE))
    for first, second in (*pairwise(numbers), *pairwise(re.findall("[0-9]+", text))):
        yield Decimal(first + second)
        yield Decimal(f"{first}.{second}")
    for whole, decimals in re.findall(r"([0-9]+)\.([0-9]+)", " ".join([text, *alike])):  # 357.5: 35+7.5
        yield from (Decimal(f"{whole[place:]}.{decimals}") for place in range(len(whole)))
    for three in zip(numbers, numbers[1:], numbers[2:], strict=False):
        yield Decimal("".join(three))  # 4 4 0 VAC
    for number in (*numbers, *re.findall("[0-9]+", text)):
        if len(number) == 3:
            yield Decimal(number[:2]).scaleb(int(number[2]) - 6)
    yield from (Decimal(f"{whole}.5") for whole in re.findall(r"([0-9]+)[.,](?![0-9])", text))  # 7. MFD
    for read in (text, text.translate(_DIGITS_ALIKE)):  # 40.5: the point may be a plus
        yield from map(Decimal, re.findall(r"[0-9]+(?=\.[0-9])|(?<=\.)[0-9]+", read))
    yield from written_numbers(text.translate(_FURTHER_ALIKE))
    yield from (Decimal(".".join(pair)) for pair in re.findall(r"([0-9]+)[RrKkMm]([0-9]+)", text))
    yield from corrected_numbers(text, alike)


def corrected_numbers(text: str, alike: list[str]) -> Iterator[Decimal]:
    """Yield the numbers that the text has when signs or spaces are lost, and those that are one change away."""
    for number in re.findall("[0-9]+", " ".join([text, *alike])):  # 4575440: signs and spaces are lost
        for start, end in combinations(range(len(number) + 1), 2):
            part = number[start:end]
            yield from (Decimal(part), Decimal(f"{part[:-1]}.{part[-1]}"))
            if end - start <= len("1000."):
                yield from one_change_away(part)
    for volts in re.findall(r"(?<![0-9])[0-9]{3}(?![0-9])", " ".join([text, *alike])):  # two of three: 317 for 370
        yield from (Decimal(other) for other in map(str, range(100, 500)) if any(map(str.__eq__, volts, other)))
    for first, second in pairwise(re.findall("[0-9]+", text)):
        yield from one_change_away(first + second)
    for number in (f"{number:f}" for read in (text, *alike) for number in written_numbers(read)):
        if len(number) <= len("357.5"):
            yield from one_change_away(number)


def read_or_refused(text: str) -> RatedPart | Question[RatedPart] | None:
    try:
        return read_label(text)
    except InputError:
        return None


def check(part: RatedPart, text: str, numbers: set[Decimal], percents: set[Decimal]) -> None:
    """Assert that every number of ``part`` is one of ``numbers``, and its tolerance one of ``percents``, too."""
    values = [section.digits for section in part.sections]
    if part.marked_range is not None:
        low, high = part.marked_range.low, part.marked_range.high
        assert low is not None
        assert high is not None
        values += [low, high]
    assert {*values, *part.volts, *part.hertz} <= numbers, (text, part)
    if part.tolerance is not None:
        sides = {part.tolerance.minus, part.tolerance.plus} - {0}
        assert sides <= numbers | percents, (text, part)


@pytest.mark.timeout(1200)  # s; a busy machine with the examples of the long set
def test_no_value_or_tolerance_that_the_text_does_not_carry() -> None:
    @examples(150)
    @given(spoilt_markings())
    def read(text: str) -> None:
        result = read_or_refused(text)
        if result is None:
            return
        text = text.translate(_FULL_WIDTH)
        capitals = text.upper()
        numbers = set(written_numbers(text))
        percents = {Decimal(percent) for letter, percent in _LETTER_PERCENT.items() if letter in capitals}
        if isinstance(result, Question):
            asked = {Decimal(side) for letter, sides in _ASKED_PERCENT.items() if letter in capitals for side in sides}
            for choice in result.choices:
                check(choice.conclusion, text, numbers | set(meant_numbers(text)), percents | asked)
        else:
            check(result, text, numbers, percents)

    read()


@pytest.mark.timeout(1200)  # s; a busy machine with the examples of the long set
def test_every_question_has_a_choice_that_takes_no_number_for_wrong() -> None:
    """Where every choice is another number than the can has, whoever must choose condemns a good part."""

    @examples(300)
    @given(spoilt_markings())
    def read(text: str) -> None:
        result = read_or_refused(text)
        if result is None:
            return
        words = [choice.words for choice in result.choices] if isinstance(result, Question) else [""]
        assert not all("read wrongly" in described for described in words), text

    read()


@pytest.mark.parametrize(
    "text",
    [
        "45 MFD 440V",
        "45 MFD 440V P2 10,000 AFC",
        "45+5 MFD 440V FLA 5 HP 1/4",
        "45 MFD 440V 40/85/21",
        "45 MFD 440V S2",
    ],
)
def test_no_mark_becomes_a_tolerance(text: str) -> None:
    result = read_label(text)
    assert isinstance(result, RatedPart)
    assert result.tolerance is None

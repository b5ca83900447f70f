"""Ratings as marked, against published ranges and codes.

Flags: S, seen in a text that quotes the source; M, from memory; C, recomputed.
"""

from decimal import Decimal

import pytest

from meterlink.core.questions import Question
from meterlink.core.units import Amount
from meterlink.judge.label.ratings import parse_rating, read_label
from meterlink.judge.label.usual_values import CapacitorKind
from meterlink.judge.tolerance import Tolerance, parse_tolerance


@pytest.mark.parametrize(
    ("letter", "minus", "plus"),
    # IEC 60062 tolerance letters (S; B and E M): J, K and M are read; N, Q, S, T and Z raise a question with their
    # meaning; no motor capacitor is as good as the others say, so they are unused.
    [("J", "5", "5"), ("K", "10", "10"), ("M", "20", "20"), ("F", "1", "1"), ("G", "2", "2"), ("H", "3", "3"),
     ("N", "30", "30"), ("Q", "10", "30"), ("S", "20", "50"), ("T", "10", "50"), ("Z", "20", "80"),
     ("C", "0.25", "0.25"), ("B", "0.1", "0.1"), ("E", "0.005", "0.005")],
)  # fmt: skip
def test_iec_60062_letters(letter: str, minus: str, plus: str) -> None:
    meant = Tolerance(Decimal(minus), Decimal(plus))
    if letter in "JKM":
        assert parse_rating(f"10 uF {letter}").tolerance == meant
        return
    result = read_label(f"10 uF {letter}")
    if letter in "NQSTZ":
        assert isinstance(result, Question)
        assert [choice.conclusion.tolerance for choice in result.choices] == [meant, None]
    else:
        assert parse_tolerance(letter, Amount(Decimal(10), "µF")) == meant
        assert parse_rating(f"10 uF {letter}").tolerance is None


def test_iec_60062_value_codes() -> None:
    # IEC 60062: the multiplier's letter stands for the decimal point (M).
    assert parse_rating("4µ7 450 V").sections[0].base_value == Decimal("4.7e-6")
    assert parse_rating("330n0 450 V as printed").sections[0].base_value == Decimal("330e-9")
    # Two digits and a power of ten in pF (M): 106 is 10 × 10⁶ pF = 10 µF, but 106 µF is plausible, too: unclear.
    result = read_label("106 K")
    assert isinstance(result, Question)
    assert {"106 µF ±10 %", "10 µF ±10 %"} <= {choice.key for choice in result.choices}


@pytest.mark.parametrize(
    ("text", "kind", "unusual"),
    [
        # A trade magazine on selecting capacitors (S): run 2 to 80 µF at 370 and 440 V, start 25 to 1400 µF at 110 to
        # 330 V.
        ("2 uF 370 V", CapacitorKind.RUN, False),
        ("80 uF 440 V", CapacitorKind.RUN, False),
        ("81 uF 440 V", CapacitorKind.RUN, True),
        ("1.9 uF 370 V", CapacitorKind.RUN, True),
        ("25-30 uF 110 V", CapacitorKind.START, False),
        ("1200-1400 uF 110 V", CapacitorKind.START, False),
        ("1300-1600 uF 330 V", CapacitorKind.START, True),  # its middle is 1450
        ("20-24 uF 330 V", CapacitorKind.START, True),
    ],
)
def test_usual_ranges(text: str, kind: CapacitorKind, unusual: bool) -> None:
    part = parse_rating(f"{text} as printed")
    assert part.kind is kind
    assert bool(part.unusual_values()) is unusual


def test_forty_microfarads_at_six_percent() -> None:
    # The same magazine (S): 40 µF ±6 % is 37.6 to 42.4 µF.
    (limits,) = parse_rating("40 MFD ±6% 370 VAC").limits()
    assert (limits.low, limits.high) == (Decimal("37.6"), Decimal("42.4"))


def test_start_capacitors_are_marked_with_a_range_or_minus_0_plus_20_percent() -> None:
    # Common practice (M): 43-53, or -0/+20 %.
    (marked,) = parse_rating("43-53 MFD 250 VAC").limits()
    assert (marked.low, marked.high) == (43, 53)
    (rated,) = parse_rating("43 MFD -0/+20 % 250 VAC").limits()
    assert (rated.low, rated.high) == (43, Decimal("51.6"))
    assert parse_rating("43 MFD -0/+20 % 250 VAC").kind is CapacitorKind.START


def test_the_units_of_the_trade() -> None:
    # U+00B5, U+03BC, u, MFD and mfd all mean 10⁻⁶ F; "45 mF" is millifarad by the SI, so it is unclear (C).
    for unit in ("\u00b5F", "\u03bcF", "uF", "MFD", "mfd"):
        assert parse_rating(f"45 {unit}").sections[0].base_value == Decimal("45e-6")
    for unit in ("mF", "MF"):
        result = read_label(f"45 {unit}")
        assert isinstance(result, Question)
        assert result.usual == "45 µF"

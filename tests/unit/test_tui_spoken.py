"""Values and verdicts for the ear."""

import pytest

from meterlink.core.unit_words import PREFIX_EXPONENTS, PREFIXED_UNITS, UNPREFIXED_UNITS
from meterlink.core.verdicts import Verdict
from meterlink_tui.sound.spoken import spoken_number, spoken_step, spoken_text, spoken_unit, spoken_verdict


@pytest.mark.parametrize(
    ("number", "words"),
    [
        ("5.1", "five point one"),
        ("50", "five zero"),
        ("15", "one five"),
        ("0.00", "zero point zero zero"),
        ("-23.4", "minus two three point four"),
        ("\u2212.5", "\u2212.5"),
        ("OL", "overload"),
        ("1999", "one nine nine nine"),
        ("", ""),
        ("[red]x", "(red)x"),
    ],
)
def test_a_number_is_said_digit_by_digit(number: str, words: str) -> None:
    # 'fifteen' and 'fifty' cannot be told apart beside a fan; 'one five' and 'five zero' can. Common practice of
    # radiotelephony (ITU-R M.1171 says numbers figure by figure; from memory).
    assert spoken_number(number) == words


@pytest.mark.parametrize(
    ("unit", "words"),
    [
        ("µF", "microfarad"), ("nF", "nanofarad"), ("pF", "picofarad"), ("mF", "millifarad"), ("F", "farad"),
        ("Ω", "ohm"), ("mΩ", "milli-ohm"), ("kΩ", "kilo-ohm"), ("MΩ", "mega-ohm"),
        ("V", "volt"), ("mV", "millivolt"), ("V AC", "volt A C"), ("mV DC", "millivolt D C"),
        ("A", "ampere"), ("mA", "milli-ampere"), ("µA", "micro-ampere"), ("A AC", "ampere A C"),
        ("Hz", "hertz"), ("kHz", "kilohertz"), ("MHz", "megahertz"),
        ("°C", "degree celsius"), ("°F", "degree fahrenheit"), ("%", "percent"), ("", ""),
    ],
)  # fmt: skip
def test_a_unit_is_said_in_words(unit: str, words: str) -> None:
    assert spoken_unit(unit) == words


def test_every_unit_of_a_display_has_words_and_no_two_have_the_same() -> None:
    units = [prefix + unit for prefix in PREFIX_EXPONENTS for unit in PREFIXED_UNITS] + list(UNPREFIXED_UNITS)
    words = [spoken_unit(unit) for unit in units]
    assert len(set(words)) == len(units)
    assert all(word.isascii() and word.replace("-", "").replace(" ", "").isalpha() for word in words)


SAID = {
    Verdict.WITHIN: "within",
    Verdict.OUTSIDE: "outside",
    Verdict.OPEN: "open",
    Verdict.SHORTED: "shorted",
    Verdict.NO_CONTACT: "no contact",
    Verdict.NO_LIMITS: "no limits",
    Verdict.NOTHING_FLOWS: "nothing flows",
    Verdict.OVER_RANGE: "over range",
    Verdict.CANNOT_TELL: "cannot tell",
}


@pytest.mark.parametrize("verdict", Verdict)
def test_every_verdict_is_said_after_its_value(verdict: Verdict) -> None:
    assert spoken_verdict("5.1", "µF", verdict, None) == f"five point one microfarad, {SAID[verdict]}"


@pytest.mark.parametrize("verdict", [Verdict.WITHIN, Verdict.OUTSIDE])
def test_a_close_call_is_neither_a_pass_nor_a_fail_to_the_ear(verdict: Verdict) -> None:
    words = spoken_verdict("42.2", "µF", verdict, "close call")
    assert words == f"four two point two microfarad, close call, just {verdict}"


def test_an_overload_has_its_unit() -> None:
    assert spoken_verdict("OL", "MΩ", "open", None) == "overload mega-ohm, open"


def test_the_values_in_a_sentence_are_said_digit_by_digit() -> None:
    stop = "Stop. 241.3 V AC between C and HERM, where there must be none: keep your hands off (L1–L2)."
    assert spoken_text(stop) == (
        "Stop. two four one point three volt A C between C and HERM, where there must be none: keep your hands off, "
        "L1 to L2."
    )
    assert spoken_text("A fan at 5 % of 15 kΩ, at -3 °C and 60 Hz") == (
        "A fan at five percent of one five kilo-ohm, at minus three degree celsius and six zero hertz"
    )


@pytest.mark.parametrize(
    ("advice", "words"),
    [
        (
            "The run capacitor has lost capacitance (very likely). Replace the part: two readings agree.",
            "replace",
        ),
        ("The capacitor is open (likely). Replace the capacitor, then start the motor once.", "replace the capacitor"),
        ("Leads across HERM–FAN (very likely). Read C–HERM again with the wires off.", "measure again"),
        # Not an instruction to replace before something else was done.
        (
            "The coil is open (likely). Touch the leads together. If they read almost zero, replace the part.",
            "look at the screen",
        ),
        (
            "It may be the label (likely). Compare the rating. Then read it again. If it is right, replace the part.",
            "look at the screen",
        ),
        ("A line is lost (likely). Read each line to ground at the line side of the disconnect.", "look at the screen"),
        (
            "The supply is not within its limits. Make sure the probes were on L1 and L2, and measure it again.",
            "measure again",
        ),
        ("Answer the question about the run capacitor, or measure it again.", "answer the question"),
        ("", ""),
    ],
)
def test_replace_is_said_only_where_the_advice_begins_with_it(advice: str, words: str) -> None:
    # A supply that is outside is not replaced, and an open coil is proved first: a wrong 'replace' in the ear of
    # somebody who does not look costs a good part.
    assert spoken_step(advice) == words


@pytest.mark.parametrize(
    "text", ["\x1b[31m5 V\x07", "漢字 5 V", "x" * 5000, "-" * 50, "5 V " * 500, "\u202e5 V"], ids=ascii
)
def test_any_text_is_said_without_control_characters_and_in_bounds(text: str) -> None:
    for said in (spoken_text(text), spoken_verdict(text, text, text, text), spoken_step(text)):
        assert said.isprintable()
        assert len(said) < 4096  # bytes; a pipe takes so many without waiting

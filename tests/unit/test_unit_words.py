"""One table of unit words: every room reads a word alike, and pint agrees with every unit of the table."""

import itertools
import subprocess
import sys
from collections.abc import Iterator
from decimal import Decimal

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry, parse_displayed_value
from meterlink.core.errors import InputError
from meterlink.core.unit_words import (
    COUPLING_WORDS,
    PREFIX_EXPONENTS,
    PREFIXED_UNITS,
    UNPREFIXED_UNITS,
    Coupling,
    UnitWord,
    find_unit_word,
)
from meterlink.core.units import Quantity, convert, parse_amount, parse_unit, parse_unit_word, quantity_of
from meterlink.driver_api import Reading, Timestamp
from meterlink.judge.label.label_units import parse_label_unit
from meterlink.profiles import open_profile_driver, parse_profile
from meterlink.profiles.model import ConnectionSetup, DriverName, Meaning, Profile, TextFormat
from meterlink.teach import teach

untimed = settings(deadline=None)  # the speed of the machine proves nothing here

CHANNEL = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01"

# Full names, so that a symbol that pint takes for another unit fails here.
PINT_PREFIXES = {"p": "pico", "n": "nano", "µ": "micro", "m": "milli", "": "", "k": "kilo", "M": "mega"}
PINT_NAMES = {"V": "volt", "A": "ampere", "Ω": "ohm", "F": "farad", "Hz": "hertz"}
WORD_LETTERS = "VvAaCcDdmMkKuµnpFfHzhΩohms~⎓ %R°"


@pytest.fixture(scope="module")
def registry() -> "pint.UnitRegistry[Decimal]":
    return pint.UnitRegistry(non_int_type=Decimal, cache_folder=None)


def read_line(text_format: TextFormat, line: str) -> Reading:
    profile = Profile("test", DriverName.LINED, ConnectionSetup((CHANNEL,)), text=text_format)
    driver = open_profile_driver(profile, [CHANNEL])
    driver.begin_line()
    (reading,) = driver.feed(CHANNEL, f"{line}\n".encode(), Timestamp(1, 1))
    return reading


def coupled_words() -> Iterator[tuple[str, Coupling, str]]:
    """Yield ``(word, coupling, unit)`` for the spellings of volts and amps with a coupling."""
    for unit, prefix in itertools.product("VA", ("", "m", "k")):
        if prefix + unit == "kA":
            continue  # spelled nowhere: no meter measures it directly
        for coupling, name in ((Coupling.AC, "AC"), (Coupling.DC, "DC"), (Coupling.AC, "ac"), (Coupling.DC, "dc")):
            yield f"{prefix}{unit}{name}", coupling, prefix + unit
            yield f"{name}{prefix}{unit}", coupling, prefix + unit
    yield from (("Vdc", Coupling.DC, "V"), ("V~", Coupling.AC, "V"), ("mA⎓", Coupling.DC, "mA"))


@pytest.mark.parametrize("default", [None, *Coupling])
@pytest.mark.parametrize(("word", "coupling", "unit"), list(coupled_words()))
def test_a_line_is_read_with_the_coupling_that_its_word_states(
    word: str, coupling: Coupling, unit: str, default: Coupling | None
) -> None:
    reading = read_line(TextFormat(unit="V", coupling=default), f"12.34 {word}")
    assert (reading.text, reading.coupling) == (f"12.34 {unit} {coupling}", coupling)
    glued = read_line(TextFormat(unit="V", coupling=default), f"12.34{word}")
    assert glued.text == reading.text


@pytest.mark.parametrize("word", ["AC", "ac", "~", "DC", "dc", "⎓"])
@pytest.mark.parametrize("default", [None, *Coupling])
def test_a_coupling_word_of_its_own_overrides_the_profiles(word: str, default: Coupling | None) -> None:
    reading = read_line(TextFormat(coupling=default), f"12.34 V {word}")
    assert reading.coupling is COUPLING_WORDS[word.lower()]
    assert reading.text.startswith("12.34 V")


@pytest.mark.parametrize("line", ["12.3 VAC DC", "12.3 DCV ~", "AC 12.3 mADC"])
def test_two_couplings_in_one_line_are_refused(line: str) -> None:
    assert read_line(TextFormat(), line).digits is None


@pytest.mark.parametrize("meaning", [Meaning(unit="V"), Meaning(scale=Decimal(1)), Meaning(prefix="m")])
def test_a_profiles_meaning_without_a_coupling_keeps_that_of_the_word(meaning: Meaning) -> None:
    text = TextFormat(unit="V", coupling=Coupling.AC, words=(("VDC", meaning),))
    assert read_line(text, "1.5 VDC").coupling is Coupling.DC


def test_a_profiles_own_coupling_of_a_word_counts() -> None:
    text = TextFormat(words=(("VDC", Meaning(unit="V", coupling=Coupling.AC)),))
    assert read_line(text, "1.5 VDC").coupling is Coupling.AC


def taught_on(word: str, display: str) -> Profile:
    """Return the profile that teaching finds for lines with ``word``, whose displays showed ``display``."""
    numbers = [f"{115 + 7 * number / 10:.1f}" for number in range(12)]
    packets = tuple(
        CapturedPacket(second + tenth / 10, CHANNEL, f"{number} {word}\r\n".encode())
        for second, number in enumerate(numbers)
        for tenth in range(8)
    )
    entries = tuple(make_display_entry(second + 0.65, f"{number} {display}") for second, number in enumerate(numbers))
    profile = teach(Capture(packets, entries)).profile
    assert profile is not None
    return profile


@pytest.mark.parametrize(
    ("word", "display", "other", "expected"),
    [
        ("VAC", "V AC", "VDC", Coupling.DC),
        ("VDC", "V DC", "VAC", Coupling.AC),
        ("VAC", "V", "VDC", Coupling.DC),
        ("mVac", "mV AC", "mVdc", Coupling.DC),
        ("V AC", "V AC", "V DC", Coupling.DC),
        ("VAC", "V AC", "mVDC", Coupling.DC),
    ],
)
def test_a_taught_profile_never_reads_the_other_coupling_as_its_own(
    word: str, display: str, other: str, expected: Coupling
) -> None:
    profile = taught_on(word, display)
    driver = open_profile_driver(profile, [CHANNEL])
    driver.begin_line()
    own, another = (
        driver.feed(CHANNEL, f"24.6 {spelled}\r\n".encode(), Timestamp(1, 1))[0] for spelled in (word, other)
    )
    assert own.digits == Decimal("24.6")
    assert own.coupling is not expected
    assert another.digits is None or another.coupling is expected


def test_a_display_that_contradicts_the_word_is_believed() -> None:
    profile = taught_on("VDC", "V AC")
    driver = open_profile_driver(profile, [CHANNEL])
    driver.begin_line()
    (reading,) = driver.feed(CHANNEL, b"24.6 VDC\r\n", Timestamp(1, 1))
    assert reading.coupling is Coupling.AC


PROFILE = """
profile = 1
name = "shed-meter"
driver = "lined"
[connection]
notify = "fff1"
[text]
unit = "{unit}"
"""


def test_the_unit_of_a_profile_states_its_coupling() -> None:
    profile = parse_profile(PROFILE.format(unit="mVDC"), "shed.toml")
    assert profile.text is not None
    assert (profile.text.unit, profile.text.coupling) == ("mV", Coupling.DC)
    with pytest.raises(InputError, match="the unit states DC, not AC"):
        parse_profile(PROFILE.format(unit="VDC") + 'coupling = "AC"\n', "shed.toml")


@pytest.mark.parametrize(("word", "coupling", "unit"), list(coupled_words()))
def test_displays_labels_and_lines_agree(word: str, coupling: Coupling, unit: str) -> None:
    assert find_unit_word(word) == parse_unit_word(word)
    assert (parse_unit_word(word).unit, parse_unit_word(word).coupling) == (unit, coupling)
    displayed = parse_displayed_value(f"1.5 {word}")
    assert (displayed.unit, displayed.coupling) == (unit, coupling)
    label_unit = parse_label_unit(word)
    assert label_unit is not None
    assert (label_unit.symbol, label_unit.coupling) == (unit, coupling)


@untimed
@given(st.text(WORD_LETTERS, min_size=1, max_size=6) | st.sampled_from([word for word, _, _ in coupled_words()]))
def test_no_two_rooms_give_one_word_two_meanings(word: str) -> None:
    """Rooms may refuse a word that another reads; none reads another unit or another coupling."""
    if any(letter.isspace() for letter in word):
        return
    meanings: set[tuple[str, Coupling | None]] = set()
    try:
        meanings.add((parse_unit_word(word).unit, parse_unit_word(word).coupling))
        displayed = parse_displayed_value(f"1.5 {word}")
        meanings.add((displayed.unit, displayed.coupling))
    except InputError:
        pass
    reading = read_line(TextFormat(), f"1.5 {word}")
    if reading.digits is not None:
        meanings.add((reading.unit, reading.coupling))
    assert len(meanings) <= 1


def test_a_display_with_two_couplings_is_refused() -> None:
    for text in ("12 VAC DC", "12 V AC DC", "~ 3 mADC"):
        with pytest.raises(InputError, match="both AC and DC"):
            parse_displayed_value(text)


@pytest.mark.parametrize(("base", "prefix"), itertools.product(PREFIXED_UNITS, PREFIX_EXPONENTS))
def test_pint_agrees_with_every_unit_and_prefix(registry: "pint.UnitRegistry[Decimal]", base: str, prefix: str) -> None:
    """Both directions and between all prefixes, exactly: pint calculates with Decimals here."""
    unit, name = prefix + base, PINT_PREFIXES[prefix] + PINT_NAMES[base]
    digits = Decimal("-1234.5670")
    for other in PREFIX_EXPONENTS:
        other_name = PINT_PREFIXES[other] + PINT_NAMES[base]
        there = registry.Quantity(digits, name).to(other_name).magnitude
        assert convert(digits, unit, other + base) == there
        assert convert(there, other + base, unit) == digits
    assert registry.Quantity(Decimal(1), name).to(PINT_NAMES[base]).magnitude == Decimal(10) ** PREFIX_EXPONENTS[prefix]


@untimed
@given(st.decimals(-2000, 20000, places=3))
def test_pint_agrees_with_the_units_without_prefix(registry: "pint.UnitRegistry[Decimal]", digits: Decimal) -> None:
    assert set(UNPREFIXED_UNITS) == {"°C", "°F", "%"}
    celsius = registry.Quantity(digits, "degF").to("degC").magnitude
    assert abs(convert(digits, "°F", "°C") - celsius) < Decimal("1e-20")
    fahrenheit = registry.Quantity(digits, "degC").to("degF").magnitude
    assert abs(convert(digits, "°C", "°F") - fahrenheit) < Decimal("1e-20")
    percent = registry.Quantity(digits, "percent").to("percent").magnitude
    assert convert(digits, "%", "%") == percent


@pytest.mark.parametrize(("base", "prefix"), itertools.product(PREFIXED_UNITS, PREFIX_EXPONENTS))
def test_names_that_are_spelled_out(registry: "pint.UnitRegistry[Decimal]", base: str, prefix: str) -> None:
    name = PINT_PREFIXES[prefix] + PINT_NAMES[base]
    for spelling in (name, name.upper(), name.title()):
        assert find_unit_word(spelling) == UnitWord(prefix, base)
    ((pint_prefix, pint_name, _),) = registry.parse_unit_name(name)
    assert (pint_prefix, pint_name) == (PINT_PREFIXES[prefix], PINT_NAMES[base])


@pytest.mark.parametrize(
    ("text", "unit"),
    [("uohm", "µΩ"), ("mvolts", "mV"), ("namp", "nA"), ("degree Celsius", "°C"), ("degree Fahrenheit", "°F")],
)
def test_pint_reads_typed_names_outside_the_table(text: str, unit: str) -> None:
    assert find_unit_word(text) is None
    assert parse_unit(text) == unit
    assert str(parse_amount(f"4.70 {text}", quantity_of(unit))) == f"4.70 {unit}"


@pytest.mark.parametrize(
    "text",
    ["hectovolts", "zohm", "statvolt", "abvolt", "electron_volt", "delta_degC", "volt*amp", "volt_amp", "Pamp"],
)
def test_names_of_other_units_are_refused(text: str) -> None:
    with pytest.raises(InputError, match="not a unit known here"):
        parse_unit(text)


def test_a_name_of_another_quantity_is_refused() -> None:
    with pytest.raises(InputError):
        parse_unit("uohm", Quantity.CAPACITANCE)


def test_no_reading_loads_pint() -> None:
    """In a process of its own: parsing, conversion and display of the table's units, and any word from a meter."""
    program = """
import sys
from decimal import Decimal
from meterlink.capture.capture_file import parse_displayed_value
from meterlink.core.errors import InputError
from meterlink.core.unit_words import PREFIX_EXPONENTS, PREFIXED_UNITS
from meterlink.core.units import Quantity, convert, display_amount, parse_amount, parse_unit_word, to_base
for text in ("4700nF", "5 uF", "10 ohm", "24 V", "35 °C", "95 °F", "4.7 microfarads", "6 %", "1.2 Mohm"):
    amount = parse_amount(text)
    amount.base_value, str(amount)
for base in PREFIXED_UNITS:
    for prefix in PREFIX_EXPONENTS:
        to_base(Decimal("1.50"), prefix + base), convert(Decimal("1.50"), prefix + base, base)
for quantity in Quantity:
    display_amount(quantity, Decimal("0.00470"))
for word in ("uohm", "hectovolts", "zamp", "HOLD", "", "?"):
    for read in (parse_unit_word, lambda word: parse_displayed_value("4.7 " + word)):
        try:
            read(word)
        except InputError:
            pass
heavy = sorted({"pint", "numpy"} & set(sys.modules))
print(heavy)
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"

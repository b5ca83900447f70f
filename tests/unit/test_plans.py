from pathlib import Path

import pytest

from meterlink.equipment import Check, Rating, Span
from meterlink.errors import InputError, PlanError
from meterlink.judge.judging import limits_of
from meterlink.plans import load_plan, parse_against, shipped_plans
from meterlink.units import Quantity

GOOD = """
name = "pump"
[[point]]
key = "herm"
circuit = "compressor"
component = "run capacitor"
section = "HERM"
terminals = ["C", "HERM"]
quantity = "capacitance"
state = "isolated and discharged"
check = "capacitor"
rated = "45 uF"
tolerance = "6 %"

[[point]]
key = "coil"
circuit = "control"
component = "contactor coil"
terminals = ["A1", "A2"]
quantity = "resistance"
state = "isolated and discharged"
check = "coil"
low = "10 ohm"
high = "0.018 kohm"
"""


def write(folder: Path, text: str) -> str:
    file = folder / "plan.toml"
    file.write_text(text, encoding="utf-8")
    return str(file)


@pytest.mark.parametrize("name", shipped_plans())
def test_shipped_plans_load_and_have_sound_limits(name: str) -> None:
    plan = load_plan(name)
    assert plan.points
    for point in plan.points:
        limits_of(point)
        assert point.why


def test_a_plan_file(tmp_path: Path) -> None:
    plan = load_plan(write(tmp_path, GOOD))
    assert plan.name == "pump"
    herm, coil = plan.points
    assert isinstance(herm.against, Rating)
    assert str(herm.against) == "45 µF 6 %"
    assert isinstance(coil.against, Span)
    assert str(coil.against) == "10 to 18 Ω"
    assert herm.title == "run capacitor HERM"


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('name = "pump"', "", "no name"),
        ('key = "herm"', 'key = "Herm!"', "'Herm!' is not usable"),
        ('key = "coil"', 'key = "herm"', "another point has this key"),
        ('circuit = "control"', "", "circuit is missing"),
        ('circuit = "control"', "circuit = 7", "circuit is missing or not text"),
        ('terminals = ["A1", "A2"]', 'terminals = ["A1"]', "two names"),
        ('quantity = "resistance"', 'quantity = "ohms"', "'ohms' is not known"),
        ('check = "coil"', 'check = "coils"', "'coils' is not known"),
        ('rated = "45 uF"', 'rated = "45"', "unit is missing"),
        ('rated = "45 uF"', "rated = 45", "has no unit"),
        ('rated = "45 uF"', 'rated = "45 ohm"', "unit of resistance"),
        ('rated = "45 uF"', 'low = "45 uF"', "takes rated and tolerance"),
        ('low = "10 ohm"', 'low = "20 ohm"', "is above"),
        ('low = "10 ohm"', 'rated = "20 ohm"', "takes low and high"),
        ('low = "10 ohm"', 'lowest = "20 ohm"', "'lowest' is not a field"),
        ('quantity = "capacitance"', 'quantity = "resistance"', "cannot have quantity"),
        ('name = "pump"', "name = pump", "not valid TOML"),
    ],
)
def test_what_is_wrong_is_said_with_file_and_point(tmp_path: Path, old: str, new: str, says: str) -> None:
    assert old in GOOD
    file = write(tmp_path, GOOD.replace(old, new))
    with pytest.raises(PlanError) as caught:
        load_plan(file)
    assert says in str(caught.value)
    assert file in str(caught.value)
    assert caught.value.remedy


def test_a_missing_file_says_which_plans_there_are(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="split-condenser"):
        load_plan(str(tmp_path / "none.toml"))


@pytest.mark.parametrize(
    ("text", "quantity", "check", "means"),
    [
        ("45 uF", Quantity.CAPACITANCE, Check.CAPACITOR, "45 µF"),
        ("45uF 6 %", Quantity.CAPACITANCE, Check.CAPACITOR, "45 µF 6 %"),
        ("45 MFD J", Quantity.CAPACITANCE, Check.CAPACITOR, "45 µF J"),
        ("10 to 18 ohm", Quantity.RESISTANCE, Check.COIL, "10 to 18 Ω"),
        ("10-18 ohm", Quantity.RESISTANCE, Check.COIL, "10 to 18 Ω"),
        ("1k to 2k", Quantity.RESISTANCE, Check.RANGE, "1 to 2 kΩ"),
        ("at most 250 mV", Quantity.VOLTAGE, Check.RANGE, "at most 250 mV"),
        ("-5 to 20 °C", Quantity.TEMPERATURE, Check.RANGE, "-5 to 20 °C"),
    ],
)
def test_what_somebody_types_off_the_part(text: str, quantity: Quantity, check: Check, means: str) -> None:
    against = parse_against(text, quantity, check)
    assert str(against) == means
    assert str(parse_against(str(against), quantity, check)) == means  # what is kept can be read again


@pytest.mark.parametrize("text", ["", "ten", "18 to 10 ohm", "10 ohm", "10 to 18", "10 to 18 V", "to ohm"])
def test_what_makes_no_sense_as_limits(text: str) -> None:
    with pytest.raises(InputError):
        parse_against(text, Quantity.RESISTANCE, Check.COIL)

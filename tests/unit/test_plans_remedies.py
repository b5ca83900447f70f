"""The remedy of an error in a plan is followed to the letter: its example is accepted in its place."""

import re
from collections.abc import Iterator

import pytest

from meterlink.plans import check_plan

CAPACITOR = {
    "key": '"herm"',
    "circuit": '"compressor"',
    "component": '"run capacitor"',
    "terminals": '["C", "HERM"]',
    "quantity": '"capacitance"',
    "state": '"isolated and discharged"',
    "kind": '"capacitor"',
    "why": '"It starts the compressor."',
}
VOLTS = CAPACITOR | {"quantity": '"voltage"', "kind": '"range"', "state": '"energized"'}
AMPS = VOLTS | {"quantity": '"current"'}
OHMS = CAPACITOR | {"quantity": '"resistance"', "kind": '"range"'}
COIL = OHMS | {"kind": '"coil"'}
INSULATION = OHMS | {"kind": '"insulation"'}
LOADED = {
    "key": '"load"',
    "kind": '"under-load"',
    "inputs": '{ amps = "amps", volts = "volts" }',
    "frequency": '"60 Hz"',
    "rated": '"45 uF"',
}

# A table with a mistake that a person makes who knows how a rating is typed, or how it stands on the part.
MISTAKES = [
    VOLTS | {"rated": '"240 V"'},
    VOLTS | {"rated": '"208/240 V"'},
    VOLTS | {"rated": '"240 V ±10 %"'},
    VOLTS | {"rated": '"240 V 10 %"'},
    VOLTS | {"rated": '"208/240 V ±10 %"'},
    VOLTS | {"rated": '"207 to 253 V"'},
    VOLTS | {"rated": '"at least 207 V"'},
    VOLTS | {"band": '"supply"'},
    VOLTS | {"rated": '"24 V"', "band": '"coil"', "tolerance": '"10 %"'},
    VOLTS | {"limits": '"207 to 253 V"'},
    VOLTS | {"limits": '"on site"', "rated": '"240 V"', "band": '"supply"'},
    VOLTS | {"in_series": "true"},
    AMPS | {"rated": '"14.1 A"'},
    AMPS | {"high": '"14.1 A"', "locked_rotor": '"7 A"'},
    AMPS | {"band": '"supply"', "limits": '"on site"'},
    OHMS | {"rated": '"10 to 18 ohm"'},
    OHMS | {"rated": '"5 kW 240 V"', "tolerance": '"10 %"'},
    OHMS | {"coupling": '"AC"'},
    COIL | {"rated": '"14 ohm"'},
    COIL | {"quantity": '"voltage"', "low": '"10 ohm"'},
    INSULATION | {"rated": '"1 Mohm"'},
    INSULATION | {"rated": '"at least 1 Mohm"'},
    INSULATION | {"low": '"1 Mohm"', "high": '"9 Mohm"'},
    INSULATION | {"high": '"9 Mohm"'},
    CAPACITOR | {"rated": '"45 uF ±6 %"'},
    CAPACITOR | {"rated": '"45 uF 6 %"'},
    CAPACITOR | {"rated": '"45 uF J"'},
    CAPACITOR | {"rated": '"189-227 uF"'},
    AMPS | {"high": '"14.1 A"', "locked_rotor": "77"},
    CAPACITOR | {"rated": '"45 uF"', "tolerance": "6"},
    CAPACITOR | {"terminals": '"C, HERM"'},
    LOADED | {"rated": '"45 uF ±6 %"'},
    LOADED | {"rated": "45"},
]


def plan_with(table: dict[str, str]) -> str:
    inputs = [VOLTS | {"key": '"volts"'}, AMPS | {"key": '"amps"'}]
    is_derived = "inputs" in table
    tables = [("point", point) for point in inputs] + [("derived" if is_derived else "point", table)]
    return 'name = "remedies"\n' + "".join(
        f"[[{name}]]\n" + "".join(f"{key} = {value}\n" for key, value in entry.items()) for name, entry in tables
    )


def followed(table: dict[str, str], key: str, remedy: str) -> Iterator[dict[str, str]]:
    """Yield the table with each alternative of the remedy: its examples written, the keys that it removes gone.

    ``key`` is that of the error.
    """
    for alternative in re.split(r",? or ", remedy):
        written = dict(re.findall(r'(\w+) = ("[^"]*"|\[[^\]]*\])', alternative))
        removed = [
            key if word == "it" else word
            for word in re.findall(r"(?:[Rr]emove|without|[Ll]eave(?: the)?) (\w+)", alternative)
        ]
        if written or removed:
            yield {key: value for key, value in (table | written).items() if key not in removed}


@pytest.mark.parametrize("table", MISTAKES, ids=str)
def test_what_a_remedy_writes_out_is_accepted(table: dict[str, str]) -> None:
    problem = check_plan(plan_with(table)).errors[0]
    tables = list(followed(table, problem.location.rpartition(", ")[2], problem.remedy))
    assert tables, f"no example in: {problem.remedy}"
    for mended in tables:
        assert [str(error) for error in check_plan(plan_with(mended)).errors] == [], problem.remedy


@pytest.mark.parametrize("key", ["rated", "low", "high"])
def test_an_example_of_another_quantity_is_not_written_out(key: str) -> None:
    """240 at a supply: "45 uF" in its place would be refused, too."""
    problem = check_plan(plan_with(VOLTS | {key: "240"})).errors[0]
    assert problem.remedy.startswith(f"Write {key} in quotes, with the unit of the quantity, such as ")

"""The plan of every visit, and the place where an accepted reading belongs."""

from pathlib import Path
from typing import NamedTuple

SITE = "Mill Lane bakery"
TYPED = ("herm", "blower")  # test points of readings that are typed in
PINNED = {"Alder": "supply", "Birch": "coil"}  # those of the meters

_PLACES = {
    "herm": ("compressor", "run capacitor", "HERM"),
    "blower": ("blower", "blower capacitor", ""),
    "supply": ("supply", "line", ""),
    "coil": ("control 24 V", "contactor coil", ""),
}
_POINT = """\
[[point]]
key = "{key}"
circuit = "{circuit}"
component = "{component}"
{section}
terminals = ["1", "2"]
{kind}
"""
_CAPACITOR = 'quantity = "capacitance"\nstate = "isolated and discharged"\nkind = "capacitor"'
_VOLTS = 'quantity = "voltage"\nstate = "energized"\nkind = "range"\nlow = "{low} V"\nhigh = "{high} V"'
_KINDS = dict.fromkeys(TYPED, _CAPACITOR) | {
    "supply": _VOLTS.format(low=207, high=253),
    "coil": _VOLTS.format(low=20.4, high=26.4),
}


class Tag(NamedTuple):
    """Where a reading belongs. Every unit is visited once, so it tells the visit."""

    unit: str
    circuit: str
    component: str
    section: str
    point: str


def tag_of(unit: str, point: str) -> Tag:
    """Return the tag of a test point at a unit."""
    return Tag(unit, *_PLACES[point], point)


def write_plan(folder: Path) -> Path:
    """Write the plan into a folder; return its file."""
    points = [
        _POINT.format(
            key=key,
            circuit=circuit,
            component=component,
            kind=_KINDS[key],
            section=f'section = "{section}"' if section else "",
        )
        for key, (circuit, component, section) in _PLACES.items()
    ]
    path = folder / "plan.toml"
    path.write_text("\n".join(['name = "two capacitors and two voltages"\n', *points]), encoding="utf-8")
    return path

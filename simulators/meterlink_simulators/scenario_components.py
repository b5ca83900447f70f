"""The ``[[component]]`` tables of a scenario: the parts on the bench."""

import math
from collections.abc import Callable

from meterlink.core.units import Quantity
from meterlink_simulators.components import Component, Contacts, Leg, Star, Supply, Surface
from meterlink_simulators.faults import GROUND
from meterlink_simulators.scenario_tables import ScenarioTable

_MOST_HENRIES = 100.0  # H; a contactor coil has some tenths


def read_component(table: ScenarioTable) -> Component:
    """Return the component that a ``[[component]]`` table describes.

    Raises:
        ScenarioError: a key is missing or wrong.
    """
    kind = table.text("kind")
    reader = _READERS.get(kind)
    if reader is None:
        raise table.error("kind", f"{kind!r} is not known.", f"Use one of: {', '.join(_READERS)}.")
    component = reader(table, table.text("name"), table.text("circuit"))
    table.reject_unknown_keys()
    return component


def _amps(table: ScenarioTable) -> float | None:
    return table.amount("amps", Quantity.CURRENT) if "amps" in table else None


def _capacitor(table: ScenarioTable, name: str, circuit: str) -> Star:
    sections = table.table("sections")
    common = table.text("common", "C")
    terminals = sections.keys()
    if common in terminals or not 1 <= len(terminals) <= 2:
        raise table.error("sections", f"a run capacitor has one or two sections beside its common {common}.")
    legs = {common: Leg()}
    for terminal in terminals:
        section = sections.table(terminal)
        legs[terminal] = Leg(
            ohms=section.amount("esr", Quantity.RESISTANCE, 0.1),
            farads=section.amount("actual", Quantity.CAPACITANCE),
            leakage=section.amount("leakage", Quantity.RESISTANCE, math.inf),
            volts=section.amount("charge", Quantity.VOLTAGE, 0.0, zero=True),
            rated=section.text("rated"),
        )
        section.reject_unknown_keys()
    return Star(name, circuit, legs, table.text("fed_by", ""), _amps(table))


def _coil(table: ScenarioTable, name: str, circuit: str) -> Star:
    first, second = table.text_pair("terminals")
    leg = Leg(
        ohms=table.amount("resistance", Quantity.RESISTANCE),
        henries=table.number("henries", 0.0, most=_MOST_HENRIES),
        is_winding=True,
        turns_share=table.number("turns", 1.0, least=0.01, most=1.0),
    )
    return Star(name, circuit, {first: leg, second: Leg()}, table.text("fed_by", ""), _amps(table))


def _contacts(table: ScenarioTable, name: str, circuit: str) -> Contacts:
    first, second = table.text_pair("terminals")
    legs = {first: Leg(ohms=table.amount("resistance", Quantity.RESISTANCE)), second: Leg()}
    return Contacts(name, circuit, legs, table.text("fed_by", ""), _amps(table), table.text("coil", ""))


def _motor(table: ScenarioTable, name: str, circuit: str) -> Star:
    legs = {
        "C": Leg(ohms=table.amount("protector", Quantity.RESISTANCE, 0.0)),
        "R": Leg(ohms=table.amount("C-R", Quantity.RESISTANCE), is_winding=True),
        "S": Leg(ohms=table.amount("C-S", Quantity.RESISTANCE), is_winding=True),
        GROUND: Leg(ohms=table.amount("ground", Quantity.RESISTANCE, math.inf)),
    }
    fed_by = table.text("fed_by", "")
    if fed_by and "amps" not in table:
        raise table.error("amps", "a motor that is fed needs its running current.")
    return Star(name, circuit, legs, fed_by, _amps(table))


def _resistor(table: ScenarioTable, name: str, circuit: str) -> Star:
    first, second = table.text_pair("terminals")
    leg = Leg(ohms=table.amount("resistance", Quantity.RESISTANCE))
    return Star(name, circuit, {first: leg, second: Leg()}, table.text("fed_by", ""), _amps(table))


def _supply(table: ScenarioTable, name: str, circuit: str) -> Supply:
    return Supply(
        name,
        circuit,
        table.text_pair("terminals"),
        table.amount("volts", Quantity.VOLTAGE),
        table.amount("frequency", Quantity.FREQUENCY, zero=True),
        table.text("fed_by", ""),
        on=table.boolean("on", default=True),
    )


def _surface(table: ScenarioTable, name: str, circuit: str) -> Surface:
    first = table.amount("temperature", Quantity.TEMPERATURE)
    return Surface(
        name,
        circuit,
        first,
        table.amount("final", Quantity.TEMPERATURE, first),
        table.number("time_constant", 60.0, least=0.1),
        table.text_pair("terminals") if "terminals" in table else ("surface", "bead"),
    )


_READERS: dict[str, Callable[[ScenarioTable, str, str], Component]] = {
    "capacitor": _capacitor,
    "coil": _coil,
    "contacts": _contacts,
    "motor": _motor,
    "resistor": _resistor,
    "supply": _supply,
    "surface": _surface,
}

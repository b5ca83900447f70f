"""The ``[[component]]`` tables of a scenario: the parts on the bench."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from meterlink.core.units import Quantity
from meterlink.tomlfile.field_types import Boolean, Entries, Text
from meterlink.tomlfile.tables import FieldError, Key, Table, Variants
from meterlink_simulators.components import Component, Contacts, Leg, Star, Supply, Surface
from meterlink_simulators.faults import GROUND
from meterlink_simulators.scenario_types import OHMS, TERMINALS, TEXT, amount, by_name, number
from meterlink_simulators.scenario_wired_parts import WIRED_PARTS
from meterlink_simulators.switchgear import Coil, coil

# Components by name; None for one with an error.
ComponentsByName = Mapping[str, Component | None]


def check_components(partial_components: Sequence[Component | Mapping[str, Any]]) -> Iterator[FieldError]:
    """Yield the problems between components: the supply or coil that one names must be listed before it.

    So a supply never feeds itself in a circle.
    """
    for position, component in enumerate(partial_components):
        before = by_name(partial_components[:position])
        for key, noun, kind in (("fed_by", "supply", Supply), ("coil", "coil", Star)):
            name = component.get(key) if isinstance(component, Mapping) else getattr(component, key, "")
            if name and not (name in before and isinstance(before[name], kind | None)):
                message = f"no {noun} listed before it is named {name!r}."
                yield FieldError(("component", position, key), message, f"List the {noun} first.")


def _section(actual: float, esr: float, leakage: float, charge: float, rated: str) -> Leg:
    return Leg(ohms=esr, farads=actual, leakage=leakage, volts=charge, rated=rated)


def _capacitor(
    name: str,
    circuit: str,
    sections: tuple[tuple[str, Leg], ...],
    common: str,
    fed_by: str,
    amps: float | None,
) -> Star:
    return Star(name, circuit, {common: Leg(), **dict(sections)}, fed_by, amps)


def _check_sections(common: str, sections: tuple[tuple[str, Leg], ...]) -> Iterator[FieldError]:
    terminals = [terminal for terminal, _ in sections]
    if common in terminals or not 1 <= len(terminals) <= 2:
        message = f"a run capacitor has one or two sections beside its common {common}."
        remedy = 'Write sections.HERM = { rated = "55 µF ±6 %", actual = "54 µF" }.'
        yield FieldError("sections", message, remedy)


def _coil(
    *,
    name: str,
    circuit: str,
    terminals: tuple[str, str],
    resistance: float,
    henries: float,
    turns: float,
    volts: float,
    pull_in: float | None,
    drop_out: float | None,
    fed_by: str,
    amps: float | None,
) -> Coil:
    sound = coil(
        name, circuit, terminals, resistance, henries=henries, rated_volts=volts, pull_in=pull_in, drop_out=drop_out
    )
    winding = replace(sound.legs[terminals[0]], turns_share=turns)
    return replace(sound, legs={**sound.legs, terminals[0]: winding}, fed_by=fed_by, amps=amps)


def _contacts(
    name: str,
    circuit: str,
    terminals: tuple[str, str],
    resistance: float,
    coil: str,
    fed_by: str,
    amps: float | None,
) -> Contacts:
    first, second = terminals
    return Contacts(name, circuit, {first: Leg(ohms=resistance), second: Leg()}, fed_by, amps, coil)


def _motor(
    name: str,
    circuit: str,
    run: float,
    start: float,
    protector: float,
    ground: float,
    fed_by: str,
    amps: float | None,
) -> Star:
    legs = {
        "C": Leg(ohms=protector),
        "R": Leg(ohms=run, is_winding=True),
        "S": Leg(ohms=start, is_winding=True),
        GROUND: Leg(ohms=ground),
    }
    return Star(name, circuit, legs, fed_by, amps)


def _check_running_current(fed_by: str, amps: float | None) -> Iterator[FieldError]:
    if fed_by and amps is None:
        yield FieldError("amps", "amps is missing: a motor that is fed needs its running current.", 'Add amps = "9 A".')


def _resistor(
    name: str, circuit: str, terminals: tuple[str, str], resistance: float, fed_by: str, amps: float | None
) -> Star:
    first, second = terminals
    return Star(name, circuit, {first: Leg(ohms=resistance), second: Leg()}, fed_by, amps)


def _heater(
    name: str,
    circuit: str,
    terminals: tuple[str, str],
    resistance: float,
    ground: float,
    fed_by: str,
    amps: float | None,
) -> Star:
    first, second = terminals
    # A sheath heater leaks from its wire to the sheath, near the terminal that the leg of the resistance does not join.
    return Star(name, circuit, {first: Leg(ohms=resistance), second: Leg(), GROUND: Leg(ohms=ground)}, fed_by, amps)


def _surface(
    name: str,
    circuit: str,
    temperature: float,
    final: float | None,
    time_constant: float,
    terminals: tuple[str, str],
) -> Surface:
    return Surface(name, circuit, temperature, temperature if final is None else final, time_constant, terminals)


_TEMPERATURE = amount(Quantity.TEMPERATURE, '"24 °C"')
_SECTION = Table(
    _section,
    Key("rated", TEXT),
    Key("actual", amount(Quantity.CAPACITANCE, '"54 µF"')),
    Key("esr", OHMS, 0.1),
    Key("leakage", OHMS, math.inf),
    Key("charge", amount(Quantity.VOLTAGE, '"310 V"', zero=True), 0.0),
)
_SECTIONS = Entries(lambda word: word.strip() or None, r"\s*\S.*", _SECTION, 'HERM = { rated = "…", actual = "54 µF" }')
_VOLTS = amount(Quantity.VOLTAGE, '"24 V"')
_COMMON_KEYS = (Key("kind", Text(20)), Key("name", TEXT), Key("circuit", TEXT))
_RESISTANCE = Key("resistance", OHMS)
_FED_KEYS = (Key("fed_by", TEXT, ""), Key("amps", amount(Quantity.CURRENT, '"9 A"'), None))

COMPONENT: Variants[Component] = Variants(
    "kind",
    {
        "capacitor": Table(
            _capacitor,
            *_COMMON_KEYS,
            *_FED_KEYS,
            Key("common", TEXT, "C"),
            Key("sections", _SECTIONS),
            checks=(_check_sections,),
            schema_rules=({"properties": {"sections": {"minProperties": 1, "maxProperties": 2}}},),
        ),
        "coil": Table(
            _coil,
            *_COMMON_KEYS,
            *_FED_KEYS,
            Key("terminals", TERMINALS),
            _RESISTANCE,
            Key("henries", number("0", "100"), 0.0),  # H; a contactor coil has some tenths
            Key("turns", number("0.01", "1"), 1.0),
            Key("volts", _VOLTS, 24.0),
            Key("pull_in", _VOLTS, None),
            Key("drop_out", _VOLTS, None),
        ),
        "contacts": Table(
            _contacts, *_COMMON_KEYS, *_FED_KEYS, Key("terminals", TERMINALS), _RESISTANCE, Key("coil", TEXT, "")
        ),
        "motor": Table(
            _motor,
            *_COMMON_KEYS,
            *_FED_KEYS,
            Key("C-R", OHMS, attribute="run"),
            Key("C-S", OHMS, attribute="start"),
            Key("protector", OHMS, 0.0),
            Key("ground", OHMS, math.inf),
            checks=(_check_running_current,),
            schema_rules=({"dependentRequired": {"fed_by": ["amps"]}},),
        ),
        "heater": Table(
            _heater, *_COMMON_KEYS, *_FED_KEYS, Key("terminals", TERMINALS), _RESISTANCE, Key("ground", OHMS, math.inf)
        ),
        "resistor": Table(_resistor, *_COMMON_KEYS, *_FED_KEYS, Key("terminals", TERMINALS), _RESISTANCE),
        "supply": Table(
            Supply,
            *_COMMON_KEYS,
            Key("terminals", TERMINALS),
            Key("volts", amount(Quantity.VOLTAGE, '"230 V"')),
            Key("frequency", amount(Quantity.FREQUENCY, '"60 Hz"', zero=True), attribute="hertz"),
            Key("fed_by", TEXT, ""),
            Key("on", Boolean(), default=True),
        ),
        "surface": Table(
            _surface,
            *_COMMON_KEYS,
            Key("temperature", _TEMPERATURE),
            Key("final", _TEMPERATURE, None),
            Key("time_constant", number("0.1", "1e6"), 60.0),  # s; a slower surface does not change in a visit
            Key("terminals", TERMINALS, ("surface", "bead")),
        ),
        **WIRED_PARTS,
    },
)

"""The ``[[component]]`` tables of wired parts, and the wires between the components of a bench."""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, get_args

from meterlink.core.errors import InputError
from meterlink.core.units import Quantity
from meterlink.tomlfile.field_types import Boolean, Choice, Entries, FieldType, ListOf, Parsed, Text
from meterlink.tomlfile.tables import FieldError, Key, Table
from meterlink_simulators.components import Component
from meterlink_simulators.inverter import BUS, OUTPUTS, Inverter, InverterMotor, inverter_motor
from meterlink_simulators.mains import Layout, Mains, mains
from meterlink_simulators.motors import (
    SinglePhaseMotor,
    ThreePhaseMotor,
    single_phase_motor,
    three_phase_motor,
)
from meterlink_simulators.network import GROUND
from meterlink_simulators.scenario_types import OHMS, TERMINALS, TEXT, amount, number
from meterlink_simulators.switchgear import Fuse, Pole, Switch, fuse
from meterlink_simulators.transformer import Transformer
from meterlink_simulators.wiring import Wire, check_wire_end

_SEPARATOR = " - "


# --- wires


def _parse_wire(text: str) -> Wire:
    first, separator, second = (part.strip() for part in text.partition(_SEPARATOR))
    if not separator or "." not in first or "." not in second:
        raise InputError(f"{text!r} is not a wire.", f"Write an end on each side: {_WIRE_EXAMPLE}.")
    return Wire(first, second)


_WIRE_EXAMPLE = '"line.L1 - contactor.L1"'
# A bench that one person can overlook has some wires for each component.
WIRES: FieldType[tuple[Wire, ...]] = ListOf(Parsed(_parse_wire, _WIRE_EXAMPLE), 1, 2000)


def check_wires(
    wires: tuple[Wire, ...], partial_components: Sequence[Component | Mapping[str, Any]]
) -> Iterator[FieldError]:
    """Yield the problems of the wires; components with an error are left to their own messages."""
    if any(isinstance(component, Mapping) for component in partial_components):
        return
    components = {component.name: component for component in partial_components if not isinstance(component, Mapping)}
    wired: set[str] = set()
    for position, wire in enumerate(wires):
        try:
            wired |= {check_wire_end(components, end) for end in (wire.first, wire.second)}
        except InputError as error:
            yield FieldError(("wires", position), error.message, error.remedy)
    for position, component in enumerate(components.values()):
        # A switch without its coil in the circuit would never move; an unknown coil has a message of its own.
        if isinstance(component, Switch) and component.coil in components and component.coil not in wired:
            message = f"the coil {component.coil!r} is not wired."
            yield FieldError(("component", position, "coil"), message, "Add wires to both of its terminals.")


# --- parts


def _mains(
    name: str, circuit: str, layout: Layout, volts: float, hertz: float, resistance: float, reactance: float
) -> Mains:
    return mains(name, circuit, layout, volts, hertz, impedance=complex(resistance, reactance))


def _transformer(
    *,
    name: str,
    circuit: str,
    taps: tuple[tuple[str, float], ...],
    volts: float,
    common: str,
    secondary: tuple[str, str],
    primary_ohms: float,
    secondary_ohms: float,
    volt_amperes: float,
) -> Transformer:
    return Transformer(name, circuit, dict(taps), volts, common, secondary, primary_ohms, secondary_ohms, volt_amperes)


def _check_transformer(
    taps: tuple[tuple[str, float], ...], common: str, secondary: tuple[str, str]
) -> Iterator[FieldError]:
    names = [*(tap for tap, _ in taps), common, *secondary]
    yield from _check_distinct("taps", names)
    if not taps:
        yield FieldError("taps", "a transformer has at least one tap.", 'Write taps = { "240" = "240 V" }.')


def _check_distinct(at: str, names: Sequence[str]) -> Iterator[FieldError]:
    for name in sorted({name for name in names if names.count(name) > 1}):
        yield FieldError(at, f"two terminals are named {name!r}.", "Give each terminal a name of its own.")


def _switch(
    *,
    name: str,
    circuit: str,
    poles: tuple[tuple[str, str], ...],
    bars: tuple[tuple[str, str], ...],
    resistance: float,
    coil: str,
    closed: bool,
    rests_closed: bool,
    seconds: float,
) -> Switch:
    contacts = (Pole(first, second, resistance) for first, second in poles)
    solid = (Pole(first, second, resistance, is_bar=True) for first, second in bars)
    return Switch(name, circuit, (*contacts, *solid), coil, closed, rests_closed, seconds)


def _check_switch(
    *,
    poles: tuple[tuple[str, str], ...],
    bars: tuple[tuple[str, str], ...],
    coil: str,
    rests_closed: bool,
) -> Iterator[FieldError]:
    yield from _check_distinct("poles", [terminal for pole in (*poles, *bars) for terminal in pole])
    if not poles:
        yield FieldError("poles", "a switch has at least one pole.", 'Write poles = { L1 = "T1" }.')
    if rests_closed and not coil:
        yield FieldError("rests_closed", "only a coil leaves a switch at rest.", "Write closed, or name its coil.")


def _fuse(name: str, circuit: str, terminals: tuple[str, str], rating: float, resistance: float) -> Fuse:
    return fuse(name, circuit, terminals, rating, ohms=resistance)


def _single_phase_motor(
    *,
    name: str,
    circuit: str,
    terminals: tuple[str, ...],
    main: float,
    start: float | None,
    amps: float,
    locked_amps: float,
    run_capacitor: float,
    volts: float,
    hertz: float,
    power_factor: float,
    ratio: float,
    load: float,
    start_share: float,
    breakdown: float,
    protector: bool,
    protector_resistance: float,
    ground: float,
    trip_seconds: float,
    reset_seconds: float,
) -> SinglePhaseMotor:
    return single_phase_motor(
        name,
        circuit,
        main_ohms=main,
        start_ohms=start,
        amps=amps,
        locked_amps=locked_amps,
        farads=run_capacitor,
        rated_volts=volts,
        hertz=hertz,
        power_factor=power_factor,
        ratio=ratio,
        load=load,
        start_share=start_share,
        breakdown=breakdown,
        protector_ohms=protector_resistance,
        ground_ohms=ground,
        has_protector=protector,
        trip_seconds=trip_seconds,
        reset_seconds=reset_seconds,
        terminals=terminals,
    )


def _check_motor_terminals(terminals: tuple[str, ...], start: float | None) -> Iterator[FieldError]:
    needed = 2 if start is None else 3
    if len(terminals) != needed:
        message = f"a motor {'with' if start else 'without'} a start winding has {needed} terminals."
        yield FieldError("terminals", message, 'Write terminals = ["C", "R", "S"] with start, ["1", "2"] without.')
    if GROUND in terminals:
        yield FieldError("terminals", f"{GROUND} is the frame: it is there by itself.", "Leave it out.")


def _three_phase_motor(
    *,
    name: str,
    circuit: str,
    terminals: tuple[str, str, str],
    resistance: float,
    amps: float,
    locked_amps: float,
    volts: float,
    hertz: float,
    power_factor: float,
    load: float,
    start_share: float,
    breakdown: float,
    protector: bool,
    ground: float,
    trip_seconds: float,
    reset_seconds: float,
) -> ThreePhaseMotor:
    return three_phase_motor(
        name,
        circuit,
        ohms=resistance,
        amps=amps,
        locked_amps=locked_amps,
        rated_volts=volts,
        hertz=hertz,
        power_factor=power_factor,
        load=load,
        start_share=start_share,
        breakdown=breakdown,
        ground_ohms=ground,
        has_protector=protector,
        trip_seconds=trip_seconds,
        reset_seconds=reset_seconds,
        terminals=terminals,
    )


def _inverter(
    *,
    name: str,
    circuit: str,
    inputs: tuple[str, str],
    volts: float,
    output_volts: float,
    output_hertz: float,
    bus: float,
    bleed: float,
    trip_amps: float,
    idle_watts: float,
    commanded: bool,
) -> Inverter:
    return Inverter(
        name,
        circuit,
        inputs,
        input_volts=volts,
        output_volts=output_volts,
        output_hertz=output_hertz,
        bus_farads=bus,
        bleed_ohms=bleed,
        trip_amps=trip_amps,
        idle_watts=idle_watts,
        commanded=commanded,
    )


def _check_inputs(inputs: tuple[str, str]) -> Iterator[FieldError]:
    if taken := sorted({*inputs} & {*BUS, *OUTPUTS, GROUND}):
        yield FieldError("inputs", f"{taken[0]!r} is another terminal of an inverter.", 'Write inputs = ["L1", "L2"].')


def _inverter_motor(
    name: str,
    circuit: str,
    terminals: tuple[str, str, str],
    resistance: float,
    henries: float,
    load: float,
    ground: float,
) -> InverterMotor:
    return inverter_motor(
        name, circuit, ohms=resistance, henries=henries, load_ohms=load, ground_ohms=ground, terminals=terminals
    )


# --- the declarations

_VOLTS, _AMPS, _HERTZ = (
    amount(quantity, example)
    for quantity, example in (
        (Quantity.VOLTAGE, '"240 V"'),
        (Quantity.CURRENT, '"15 A"'),
        (Quantity.FREQUENCY, '"60 Hz"'),
    )
)
_FARADS = amount(Quantity.CAPACITANCE, '"45 µF"')
_NO_OHMS = amount(Quantity.RESISTANCE, '"0.02 ohm"', zero=True)
_SECONDS = number("0.001", "1e5")  # an armature needs some milliseconds, a protector cools down within hours
_SHARE = number("0.01", "100")  # of a rated value; a fan without a load to speak of has a breakdown of some units
_PHASES = ListOf(TEXT, 3, 3, distinct=True, example='["T1", "T2", "T3"]')


def _terminal_pairs(example: str) -> FieldType[tuple[tuple[str, str], ...]]:
    """Return the type of a table that maps the terminal on one side of a pole to that on the other."""
    return Entries(lambda word: word.strip() or None, r"\s*\S.*", TEXT, example)


_PART_KEYS = (Key("kind", Text(20)), Key("name", TEXT), Key("circuit", TEXT))
_MOTOR_KEYS = (
    Key("amps", _AMPS),
    Key("locked_amps", _AMPS),
    Key("volts", _VOLTS, 240.0),
    Key("frequency", _HERTZ, 60.0, attribute="hertz"),
    Key("power_factor", number("0.05", "1"), 0.9),
    Key("load", _SHARE, 1.0),
    Key("start_share", _SHARE, 0.55),
    Key("breakdown", _SHARE, 2.5),
    Key("protector", Boolean(), default=True),
    Key("ground", OHMS, math.inf),
    Key("trip_seconds", _SECONDS, 6.0),
    Key("reset_seconds", _SECONDS, 600.0),
)

WIRED_PARTS: Mapping[str, Table[Component]] = {
    "mains": Table(
        _mains,
        *_PART_KEYS,
        Key("layout", Choice[str](get_args(Layout))),
        Key("volts", _VOLTS),
        Key("frequency", _HERTZ, 60.0, attribute="hertz"),
        Key("resistance", _NO_OHMS, 0.02),
        Key("reactance", _NO_OHMS, 0.0),
    ),
    "transformer": Table(
        _transformer,
        *_PART_KEYS,
        Key("taps", Entries(lambda word: word.strip() or None, r"\s*\S.*", _VOLTS, '"240" = "240 V"')),
        Key("volts", _VOLTS, 26.5),
        Key("common", TEXT, "COM"),
        Key("secondary", TERMINALS, ("R", "C")),
        Key("primary_resistance", OHMS, 60.0, attribute="primary_ohms"),
        Key("secondary_resistance", OHMS, 0.7, attribute="secondary_ohms"),
        Key("volt_amperes", number("1", "1e5"), 40.0),
        checks=(_check_transformer,),
        schema_rules=({"properties": {"taps": {"minProperties": 1}}},),
    ),
    "switch": Table(
        _switch,
        *_PART_KEYS,
        Key("poles", _terminal_pairs('L1 = "T1"')),
        Key("bars", _terminal_pairs('L2 = "T2"'), ()),
        Key("resistance", OHMS, 0.004),
        Key("coil", TEXT, ""),
        Key("closed", Boolean(), default=False),
        Key("rests_closed", Boolean(), default=False),
        Key("seconds", _SECONDS, 0.02),
        checks=(_check_switch,),
        schema_rules=({"properties": {"poles": {"minProperties": 1}}},),
    ),
    "fuse": Table(_fuse, *_PART_KEYS, Key("terminals", TERMINALS), Key("rating", _AMPS), Key("resistance", OHMS, 0.01)),
    "single-phase motor": Table(
        _single_phase_motor,
        *_PART_KEYS,
        *_MOTOR_KEYS,
        Key("terminals", ListOf(TEXT, 2, 3, distinct=True, example='["C", "R", "S"]'), ("C", "R", "S")),
        Key("main", OHMS),
        Key("start", OHMS, None),
        Key("run_capacitor", _FARADS, 0.0),
        Key("ratio", number("0.1", "10"), 1.2),
        Key("protector_resistance", OHMS, 0.0),
        checks=(_check_motor_terminals,),
    ),
    "three-phase motor": Table(
        _three_phase_motor,
        *_PART_KEYS,
        *_MOTOR_KEYS,
        Key("terminals", _PHASES, ("T1", "T2", "T3")),
        Key("resistance", OHMS),
    ),
    "inverter": Table(
        _inverter,
        *_PART_KEYS,
        Key("inputs", TERMINALS, ("L1", "L2")),
        Key("volts", _VOLTS, 240.0),
        Key("output_volts", _VOLTS, 150.0),
        Key("output_frequency", _HERTZ, 90.0, attribute="output_hertz"),
        Key("bus", _FARADS, 2e-3),
        Key("bleed", OHMS, 30e3),
        Key("trip_amps", _AMPS, 30.0),
        Key("idle_watts", number("0.1", "1000"), 15.0),
        Key("commanded", Boolean(), default=True),
        checks=(_check_inputs,),
    ),
    "inverter motor": Table(
        _inverter_motor,
        *_PART_KEYS,
        Key("terminals", _PHASES, OUTPUTS),
        Key("resistance", OHMS),
        Key("henries", number("0", "100"), 5e-3),  # H; a winding of such a motor has some thousandths
        Key("load", OHMS, 8.0),
        Key("ground", OHMS, math.inf),
    ),
}
"""The tables of wired parts by their ``kind``."""

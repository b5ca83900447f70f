"""Scenarios: TOML files that describe a bench, its meters, and the steps of a service call.

The format is Meterlink's own. Amounts are text with their unit (``"55 µF"``, ``"20 kohm"``, ``"24 V"``); bare numbers
are seconds, percent or counts, as noted below. Keys in angle brackets are optional. In order::

    title = "…"
    seed = 7                   # for every random choice, with the meters' own seeds
    ambient = "24 °C"          # <25 °C>
    wires = ["line.L1 - contactor.L1", …]  # <none> the wires between terminals, ``component.terminal``; see below

    [site]
    name = "…"
    unit = "…"

    [plan]
    name = "…"
    [[plan.point]]             # test points, with the fields of a plan file (see meterlink.plans);
    …                          # `component` and `terminals` are those of a [[component]]
    [[plan.derived]]           # derived points, with the fields of a plan file, too
    …

    [[component]]              # name is unique; a supply in `fed_by` or a coil in `coil` is listed before
    kind = "supply"            # name, circuit, terminals = [two], volts, frequency = "60 Hz" ("0 Hz": DC),
                               #   <fed_by = a supply>, <on = true>
    kind = "capacitor"         # name, circuit, <common = "C">, <fed_by>, <amps>,
                               #   sections = { HERM = { rated = "55 µF ±6 %", actual = "54 µF", <esr = "0.1 ohm">,
                               #   <leakage = "500 Mohm">, <charge = "310 V"> }, … }: one or two of them
    kind = "coil"              # name, circuit, terminals, resistance (of the sound coil), <henries>,
                               #   <turns = 0 to 1, the share not bridged>, <volts = "24 V", rated>, <pull_in =
                               #   80 % of it>, <drop_out = 50 %>, <fed_by>, <amps>
    kind = "contacts"          # name, circuit, terminals, resistance (closed), <coil = its coil>, <fed_by>, <amps>
    kind = "motor"             # name, circuit, C-R, C-S, <protector>, <ground> (resistances), <fed_by with amps>;
                               #   terminals C, R, S, GND
    kind = "resistor"          # name, circuit, terminals, resistance, <fed_by>, <amps>
    kind = "heater"            # a resistor with a frame: name, circuit, terminals, resistance, <ground>, <fed_by>,
                               #   <amps>; its terminal GND is the frame
    kind = "surface"           # name, circuit, temperature, <final>, <time_constant = 60 s>,
                               #   <terminals = ["surface", "bead"]>
                               # Wired parts: they form a circuit with capacitors, coils, resistors and each other.
    kind = "mains"             # name, circuit, layout = line and neutral, split phase, wye, delta, corner-grounded
                               #   delta, high-leg delta; volts (between lines), <frequency = "60 Hz">, <resistance =
                               #   "0.02 ohm">, <reactance> (of each line). Terminals: L1, L2, L3, N, as the layout
                               #   has them, and GND
    kind = "transformer"       # name, circuit, taps = { "208" = "208 V", … }, <volts = "26.5 V", without load>,
                               #   <common = "COM">, <secondary = ["R", "C"]>, <primary_resistance = "60 ohm">,
                               #   <secondary_resistance = "0.7 ohm">, <volt_amperes = 40>
    kind = "switch"            # name, circuit, poles = { L1 = "T1", … }, <bars = { L2 = "T2" }> (solid, without
                               #   contacts), <resistance = "0.004 ohm">, <closed = false>, <coil = its coil>,
                               #   <rests_closed = false>, <seconds = 0.02> from the coil to the contacts. Without a
                               #   coil the step `operate` moves it: a disconnect, thermostat, pressure control
    kind = "fuse"              # name, circuit, terminals, rating = "5 A", <resistance = "0.01 ohm">
    kind = "single-phase motor"  # name, circuit, main, amps, locked_amps, <start> (the start winding; without one it
                               #   starts by itself), <run_capacitor> (that amps goes with), <terminals =
                               #   ["C", "R", "S"], without start two>, <ratio = 1.2> (turns, start to main),
                               #   <protector_resistance>, and the keys of both motors: <volts = "240 V">,
                               #   <frequency = "60 Hz">, <power_factor = 0.9>, <load = 1>, <start_share = 0.55>,
                               #   <breakdown = 2.5> (see motors.Motor), <protector = true>, <ground>,
                               #   <trip_seconds = 6>, <reset_seconds = 600>
    kind = "three-phase motor"  # name, circuit, resistance (between two terminals), amps, locked_amps, <terminals =
                               #   ["T1", "T2", "T3"]>, and the keys of both motors
    kind = "inverter"          # name, circuit, <inputs = ["L1", "L2"]>, <volts = "240 V">, <output_volts = "150 V">,
                               #   <output_frequency = "90 Hz">, <bus = "2000 µF">, <bleed = "30 kohm">,
                               #   <trip_amps = "30 A">, <idle_watts = 15>, <commanded = true>. Terminals: inputs,
                               #   DC+, DC-, U, V, W
    kind = "inverter motor"    # name, circuit, resistance (between two terminals), <henries = 0.005>, <load =
                               #   "8 ohm">, <ground>, <terminals = ["U", "V", "W"]>
                               # Every motor and inverter has the terminal GND, its frame, connected to ground.

    [[meter]]
    name = "…"                 # the advertised name; invented
    address = "C0:00:00:00:00:01"
    seed = 61                  # of the specimen: fixes its errors
    counts = 6000
    rate = 10                  # <10> display refreshes a second
    battery = 80               # <100> percent at the start, <drain = 0> percent a minute, <low_below = 10> percent
    encoding = "counted"       # <presented> its radio protocol (see encoders.catalogue), <variant = 0>: number of
                               #   the meter in that family
    [[meter.function]]
    name = "capacitance"       # resistance, AC volts, DC volts, frequency, temperature, AC amps
    ranges = ["60.00 µF", …]   # full scales with trailing zeros, lowest first
    accuracy = "1.2 % + 3 digits"  # or accuracies = [one for each range]

    [[step]]                   # one of:
    meter = "…"                # measure: <point = key>, <component, terminals = [two]>, <second_component> (of the
                               #   second terminal, where both are wired), <function> (needed where the meter has
                               #   several for the point); <bounce = 0 s>, <until = "accepted" or seconds>,
                               #   <lift = true>. Probes already on the terminals stay there.
    lift = "meter"             # probes off
    drop_connection = "meter"  # seconds = duration; the next step starts at once
    fault = { component, kind, … }
                               #   kind = drift (to, <duration = 0 s>), open, shorted, leakage (to), shorted turns
                               #   (turns = 0 to 1), partly open (share = 0 to 1, of parallel wires left), welded,
                               #   grounded (to): each with <terminal>, the place that fails (`faults.Fault`);
                               #   kind = bad connection (terminal, to = "5 ohm"; "off" is a lead that is off);
                               #   kind = wrong tap (terminal), wrong coil (volts = "240 V");
                               #   kind = supply lost, phases exchanged, rotor locked, protector open, bleed resistor
                               #   open, no output, repaired
    switch = "supply"          # <on = false>
    operate = "thermostat"     # a switch without a coil, or an inverter; <on = false>
    leads = "compressor"       # of a wired component; <on = false>: they are pulled, and it is measured alone
    discharge = "capacitor"    # resistance = "20 kohm", seconds
    wait = 1.5                 # seconds
    arrive = "2207"        # begin the visit at the site, with this job number. A scenario without this step is
                               #   played in a visit that is open when the station starts
    note = "…"                 # keep a note on the visit
    label_at = "point's key"   # enter the rating on a part: rating = "50+7.5 MFD 440V"
    replace = "point's key"    # record a replaced part: rating = "50+7.5 MFD 440V"; the bench needs a fault step for it
    stock = "50+7.5 MFD 440V"  # an entry of the truck's stock: <count = 1>, <entry = "loaded", "counted", …>
    leave = "repaired"         # close the visit with this outcome; it lists the test points that are left
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Any

from meterlink.core.equipment import Plan, Site, TestPoint
from meterlink.core.errors import InputError
from meterlink.plans import PLAN
from meterlink.tomlfile.documents import check_document, parse_table
from meterlink.tomlfile.field_types import Integer
from meterlink.tomlfile.files import load_document, read_text_file
from meterlink.tomlfile.problems import Problem
from meterlink.tomlfile.tables import FieldError, Key, Table, Tables
from meterlink_simulators.bench import Bench, validate_terminals
from meterlink_simulators.bench_file import BENCH_CHECKS, BENCH_KEYS, right_bench
from meterlink_simulators.components import Component
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.plan_file import plan_file_text
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import MeterSpec
from meterlink_simulators.scenario_components import ComponentsByName
from meterlink_simulators.scenario_meters import METER
from meterlink_simulators.scenario_steps import STEP, ScenarioContext, Step, StepTable, build_step, check_steps
from meterlink_simulators.scenario_types import LARGEST_INTEGER, TEXT, by_name
from meterlink_simulators.wiring import Wire

# Meters that one person can overlook; a step lasts seconds, so 10,000 of them are a day.
_MOST_METERS, _MOST_STEPS = 100, 10_000


class ScenarioError(InputError):
    """A scenario file is wrong; the message lists each error with its line and column."""


@dataclass(frozen=True)
class Scenario:
    """A bench, its meters, and the steps of a service call. ``ambient`` is the air temperature, °C.

    ``plan_text`` is the plan as a plan file; it is empty in a scenario that no file was read for.
    """

    title: str
    seed: int
    ambient: float
    wires: tuple[Wire, ...]
    site: Site
    plan: Plan
    components: tuple[Component, ...]
    meters: tuple[MeterSpec, ...]
    steps: tuple[Step, ...]
    plan_text: str = ""

    def build_bench(self) -> Bench:
        """Return a fresh bench at time 0."""
        return Bench(self.components, self.seed, self.ambient, self.wires)

    def build_meter(self, spec: MeterSpec, bench: Bench) -> SimulatedMeter:
        """Return a fresh meter that measures on ``bench``."""
        return SimulatedMeter(spec, bench)


def shipped_scenarios() -> tuple[str, ...]:
    """Return the names of the scenarios that ship with Meterlink."""
    folder = resources.files("meterlink_simulators") / "scenarios"
    return tuple(sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml")))


def shipped_scenario(name: str) -> Scenario:
    """Return the shipped scenario of that name.

    Raises:
        ScenarioError: there is no such scenario.
    """
    if name not in shipped_scenarios():
        raise ScenarioError(f"No scenario is named {name!r}.", f"Use one of: {', '.join(shipped_scenarios())}.")
    file = resources.files("meterlink_simulators") / "scenarios" / f"{name}.toml"
    text = file.read_text(encoding="utf-8")
    return _with_plan_text(check_document(text, SCENARIO).require(file.name, ScenarioError), text)


def load_scenario(file: Path) -> Scenario:
    """Return the scenario in ``file``.

    Raises:
        ScenarioError: the file cannot be read or has errors; the message lists each with its line and column.
    """
    scenario = load_document(file, "scenario", SCENARIO, ScenarioError)
    return _with_plan_text(scenario, read_text_file(file, "scenario"))


def _with_plan_text(scenario: Scenario, text: str) -> Scenario:
    table = parse_table(text)
    assert not isinstance(table, Problem)  # noqa: S101  # it was read
    return replace(scenario, plan_text=plan_file_text(table["plan"]))


def _plan_points(plan: Plan | Mapping[str, Any]) -> Sequence[TestPoint | Mapping[str, Any]]:
    """Return the test points of a plan; a test point, or a plan, with an error is a mapping of its right values."""
    return plan.points if isinstance(plan, Plan) else plan.get("partial_point", ())


def _check_plan(
    partial_plan: Plan | Mapping[str, Any], partial_components: Sequence[Component | Mapping[str, Any]]
) -> Iterator[FieldError]:
    components: ComponentsByName = by_name(partial_components)
    for number, point in enumerate(_plan_points(partial_plan)):
        if isinstance(point, Mapping):
            continue
        component, path = components.get(point.component), ("plan", "point", number)
        if point.component not in components:
            message = f"no component is named {point.component!r}."
            yield FieldError((*path, "component"), message, f"There are {', '.join(components)}.")
        elif component is not None:
            try:
                validate_terminals(component, TerminalPair(point.component, *point.terminals))
            except InputError as error:
                yield FieldError((*path, "terminals"), error.message, error.remedy)


def _check_steps(
    partial_plan: Plan | Mapping[str, Any],
    partial_components: Sequence[Component | Mapping[str, Any]],
    partial_meters: Sequence[MeterSpec | Mapping[str, Any]],
    partial_steps: Sequence[StepTable | Mapping[str, Any]],
    wires: tuple[Wire, ...],
) -> Iterator[FieldError]:
    points = by_name(_plan_points(partial_plan), "key")
    bench = right_bench(partial_components, wires)
    context = ScenarioContext(points, by_name(partial_meters), by_name(partial_components), bench)
    yield from check_steps(partial_steps, context)


def _make_scenario(
    *,
    title: str,
    seed: int,
    ambient: float,
    wires: tuple[Wire, ...],
    site: Site,
    plan: Plan,
    components: tuple[Component, ...],
    meters: tuple[MeterSpec, ...],
    steps: tuple[StepTable, ...],
) -> Scenario:
    context = ScenarioContext(by_name(plan.points, "key"), by_name(meters), by_name(components))
    built = tuple(build_step(step, context) for step in steps)
    return Scenario(title, seed, ambient, wires, site, plan, components, meters, built)


SCENARIO = Table(
    _make_scenario,
    Key("title", TEXT),
    Key("seed", Integer(0, LARGEST_INTEGER)),
    *BENCH_KEYS,
    Key("site", Table(Site, Key("name", TEXT), Key("unit", TEXT))),
    Key("plan", PLAN),
    Key("meter", Tables(METER, 1, _MOST_METERS, unique=("name", "address")), attribute="meters"),
    Key("step", Tables(STEP, 1, _MOST_STEPS), attribute="steps"),
    checks=(*BENCH_CHECKS, _check_plan, _check_steps),
)
"""The table of a scenario file."""

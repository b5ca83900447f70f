"""Scenarios: TOML files that describe a bench, its meters, and the steps of a service call.

The format is Meterlink's own. Amounts are text with their unit (``"55 µF"``, ``"20 kohm"``, ``"24 V"``); bare numbers
are seconds, percent or counts, as noted below. Keys in angle brackets are optional. In order::

    title = "…"
    seed = 7                   # for every random choice, with the meters' own seeds
    ambient = "24 °C"          # <25 °C>

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
                               #   <turns = 0 to 1, the share not bridged>, <fed_by>, <amps>
    kind = "contacts"          # name, circuit, terminals, resistance (closed), <coil = its coil>, <fed_by>, <amps>
    kind = "motor"             # name, circuit, C-R, C-S, <protector>, <ground> (resistances), <fed_by with amps>;
                               #   terminals C, R, S, GND
    kind = "resistor"          # name, circuit, terminals, resistance, <fed_by>, <amps>
    kind = "surface"           # name, circuit, temperature, <final>, <time_constant = 60 s>,
                               #   <terminals = ["surface", "bead"]>

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
    meter = "…"                # measure: <point = key>, <component, terminals = [two]>, <function> (needed where the
                               #   meter has several for the point); <bounce = 0 s>, <until = "accepted" or
                               #   seconds>, <lift = true>. Probes already on the terminals stay there.
    lift = "meter"             # probes off
    drop_connection = "meter"  # seconds = duration; the next step starts at once
    fault = { component, kind, <terminal = of the leg>, … }
                               #   kind = drift (to, <duration = 0 s>), open, shorted, leakage (to), shorted turns
                               #   (turns = 0 to 1), grounded (to), supply lost, repaired
    switch = "supply"          # <on = false>
    discharge = "capacitor"    # resistance = "20 kohm", seconds
    wait = 1.5                 # seconds
"""

from dataclasses import dataclass
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

from meterlink.core.equipment import Plan, Site
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity
from meterlink.plans import read_derived_points, read_points
from meterlink.tomlfile.documents import parse_document
from meterlink.tomlfile.problems import Problem
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Component
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import MeterSpec
from meterlink_simulators.scenario_components import read_component
from meterlink_simulators.scenario_meters import read_meter
from meterlink_simulators.scenario_steps import ScenarioContext, Step, read_step
from meterlink_simulators.scenario_tables import ScenarioError, ScenarioTable, header_lines

_AMBIENT = 25.0  # °C, a mild day


@dataclass(frozen=True)
class Scenario:
    """A bench, its meters, and the steps of a service call. ``ambient`` is the air temperature, °C."""

    title: str
    seed: int
    ambient: float
    site: Site
    plan: Plan
    components: tuple[Component, ...]
    meters: tuple[MeterSpec, ...]
    steps: tuple[Step, ...]

    def build_bench(self) -> Bench:
        """Return a fresh bench at time 0."""
        return Bench(self.components, self.seed, self.ambient)

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
    return load_scenario(resources.files("meterlink_simulators") / "scenarios" / f"{name}.toml")


def load_scenario(file: Path | Traversable) -> Scenario:
    """Return the scenario in ``file``.

    Raises:
        ScenarioError: the file cannot be read, or a key is wrong; the message names the file, the line and the key.
        PlanError: a test point is wrong.
    """
    try:
        text = file.read_text(encoding="utf-8")
    except OSError as error:
        raise ScenarioError(f"The scenario {file} cannot be read: {error.strerror}.", "Give a TOML file.") from error
    except UnicodeDecodeError as error:
        raise ScenarioError(f"The scenario {file} is not UTF-8 text.", "Save it as UTF-8.") from error
    document = parse_document(text)
    if isinstance(document, Problem):
        raise ScenarioError(f"{file.name}:{document}", "")
    return _scenario(ScenarioTable(document.table, file.name), header_lines(document.positions))


def _scenario(top: ScenarioTable, lines: dict[tuple[str, int], int]) -> Scenario:
    title, seed = top.text("title"), top.integer("seed")
    ambient = top.amount("ambient", Quantity.TEMPERATURE, _AMBIENT)
    site_table, plan_table = top.table("site"), top.table("plan")
    site = Site(site_table.text("name"), site_table.text("unit"))
    site_table.reject_unknown_keys()
    name, plan_data = plan_table.text("name"), plan_table.remaining()
    points = read_points(plan_data, plan_table.location)
    plan = Plan(name, points, read_derived_points(plan_data, points, plan_table.location))
    components = tuple(read_component(table) for table in top.tables("component", lines))
    try:
        bench = Bench(components, seed, ambient)
        for point in plan.points:
            bench.validate_terminals(TerminalPair(point.component, *point.terminals))
    except InputError as error:
        raise ScenarioError(f"{top.location}: {error.message}", error.remedy) from error
    meters = tuple(read_meter(table) for table in top.tables("meter", lines))
    for key in ("name", "address"):
        if len({getattr(spec, key) for spec in meters}) < len(meters):
            raise top.error("meter", f"two meters have the same {key}.")
    steps = tuple(read_step(table, ScenarioContext(plan, meters, bench)) for table in top.tables("step", lines))
    top.reject_unknown_keys()
    return Scenario(title, seed, ambient, site, plan, components, meters, steps)

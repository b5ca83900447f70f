"""Scenarios: TOML files that say what stands on the bench, which meters are there, and what happens.

The format is Meterlink's own. Amounts are text with their unit (``"55 µF"``, ``"20 kohm"``, ``"24 V"``); bare numbers
are seconds, percent or counts, as said below. Values in angle brackets may be left out. In order::

    title = "…"
    seed = 7                   # every chance in the scenario comes from this and the meters' own seeds
    ambient = "24 °C"          # <25 °C>

    [place]
    site = "…"
    unit = "…"

    [plan]
    name = "…"
    [[plan.point]]             # test points, with the fields of a plan file (see meterlink.plans);
    …                          # `component` and `terminals` are those of a [[component]]
    [[plan.derived]]           # what is worked out of several of them, with the fields of a plan file, too
    …

    [[component]]              # name is unique on the bench; what a `fed_by` or `coil` names comes before
    kind = "supply"            # name, circuit, terminals = [two], volts, frequency = "60 Hz" ("0 Hz": DC),
                               #   <fed_by = a supply>, <on = true>
    kind = "capacitor"         # name, circuit, <common = "C">, <fed_by>, <amps>,
                               #   sections = { HERM = { rated = "55 µF ±6 %", actual = "54 µF", <esr = "0.1 ohm">,
                               #   <leakage = "500 Mohm">, <charge = "310 V"> }, … }: one or two of them
    kind = "coil"              # name, circuit, terminals, resistance (of the sound coil), <henries>,
                               #   <turns = 0 to 1, the share not bridged>, <fed_by>, <amps>
    kind = "contacts"          # name, circuit, terminals, resistance (closed), <coil = closes it>, <fed_by>, <amps>
    kind = "motor"             # name, circuit, C-R, C-S, <protector>, <ground> (resistances), <fed_by with amps>;
                               #   terminals C, R, S, GND
    kind = "resistor"          # name, circuit, terminals, resistance, <fed_by>, <amps>
    kind = "surface"           # name, circuit, temperature, <final>, <time_constant = 60 s>,
                               #   <terminals = ["surface", "bead"]>

    [[meter]]
    name = "…"                 # advertised; invented
    address = "C0:00:00:00:00:01"
    seed = 61                  # which specimen: fixes its errors
    counts = 6000
    rate = 10                  # <10> display refreshes a second
    battery = 80               # <100> percent at the start, <drain = 0> percent a minute, <low_below = 10> percent
    encoding = "counted"       # <presented> what it speaks on the air (see encoders.catalogue), <variant = 0>: which
                               #   meter of that family
    [[meter.function]]
    name = "capacitance"       # resistance, AC volts, DC volts, frequency, temperature, AC amps
    ranges = ["60.00 µF", …]   # full scales with trailing zeros, lowest first
    accuracy = "1.2 % + 3 digits"  # or accuracies = [one for each range]

    [[step]]                   # one of:
    meter = "…"                # measure: <point = key>, <component, clip = [two terminals]>, <function>: taken from the
                               #   point where it leaves one choice; <bounce = 0 s>, <until = "held" or seconds>,
                               #   <lift = true>. Probes that are there already stay there.
    lift = "meter"             # probes off
    drop_link = "meter"        # seconds = how long; the next step starts at once
    fault = { component, kind, <part = terminal of the leg>, … }
                               #   kind = drift (to, <over = 0 s>), open, shorted, leakage (to), shorted turns
                               #   (left = 0 to 1), grounded (to), lost (a supply), mended
    switch = "supply"          # <on = false>
    discharge = "capacitor"    # through = "20 kohm", seconds
    wait = 1.5                 # seconds
"""

import tomllib
from dataclasses import dataclass
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

from meterlink.core.equipment import Plan, Site
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity
from meterlink.plans import read_derived_points, read_points
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
    """A bench, its meters and what happens. ``ambient`` is the air, °C."""

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
        """Return a fresh meter whose probes go on ``bench``."""
        return SimulatedMeter(spec, bench)


def shipped_scenarios() -> tuple[str, ...]:
    """Return the names of the scenarios that ship with Meterlink."""
    folder = resources.files("meterlink_simulators") / "scenarios"
    return tuple(sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml")))


def shipped_scenario(name: str) -> Scenario:
    """Return the shipped scenario of that name; ScenarioError for an unknown one."""
    if name not in shipped_scenarios():
        raise ScenarioError(f"No scenario {name!r} ships here.", f"There are {', '.join(shipped_scenarios())}.")
    return load_scenario(resources.files("meterlink_simulators") / "scenarios" / f"{name}.toml")


def load_scenario(file: Path | Traversable) -> Scenario:
    """Return the scenario in ``file``.

    ScenarioError (for a test point PlanError) names the file, the table with its line, and the key that is wrong.
    """
    try:
        text = file.read_text(encoding="utf-8")
        data = tomllib.loads(text)
    except OSError as error:
        raise ScenarioError(f"The scenario {file} cannot be read: {error.strerror}.", "Give a TOML file.") from error
    except UnicodeDecodeError as error:
        raise ScenarioError(f"The scenario {file} is not UTF-8 text.", "Save it as UTF-8.") from error
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(f"{file.name} is not valid TOML: {error}.", "Mend that line.") from error
    return _scenario(ScenarioTable(data, file.name), header_lines(text))


def _scenario(top: ScenarioTable, lines: dict[tuple[str, int], int]) -> Scenario:
    title, seed = top.text("title"), top.integer("seed")
    ambient = top.amount("ambient", Quantity.TEMPERATURE, _AMBIENT)
    place_table, plan_table = top.table("place"), top.table("plan")
    place = Site(place_table.text("site"), place_table.text("unit"))
    place_table.reject_unknown_keys()
    name, written = plan_table.text("name"), plan_table.remaining()
    points = read_points(written, plan_table.location)
    plan = Plan(name, points, read_derived_points(written, points, plan_table.location))
    components = tuple(read_component(table) for table in top.tables("component", lines))
    try:
        bench = Bench(components, seed, ambient)
        for point in plan.points:
            bench.validate_terminals(TerminalPair(point.component, *point.terminals))
    except InputError as error:
        raise ScenarioError(f"{top.location}: {error.message}", error.remedy) from error
    meters = tuple(read_meter(table) for table in top.tables("meter", lines))
    for what in ("name", "address"):
        if len({getattr(spec, what) for spec in meters}) < len(meters):
            raise top.error("meter", f"two meters have the same {what}.")
    steps = tuple(read_step(table, ScenarioContext(plan, meters, bench)) for table in top.tables("step", lines))
    top.reject_unknown_keys()
    return Scenario(title, seed, ambient, place, plan, components, meters, steps)

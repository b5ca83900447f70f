"""Scenario files: their fields, their errors, and the scenario of the demo."""

import json
import math
import re
import tomllib
from decimal import Decimal
from functools import reduce
from importlib import resources
from operator import getitem
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Rating, Span
from meterlink.core.readings import Reading, Status
from meterlink.core.units import convert, resolution_of
from meterlink.judge.limits import rated_limits, span_limits
from meterlink.settling.detector import SettlingDetector
from meterlink_simulators.faults import Fault, FaultKind
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import MeterFunction
from meterlink_simulators.scenario import (
    SCENARIO,
    Scenario,
    ScenarioError,
    load_scenario,
    shipped_scenario,
    shipped_scenarios,
)
from meterlink_simulators.scenario_steps import Discharge, DropConnection, Lift, Measure, SetFault, Switch, Wait

SMALL = """
title = "small"
seed = 1
ambient = "68 degF"

[site]
name = "somewhere"
unit = "some unit"

[plan]
name = "some plan"
[[plan.point]]
key = "herm"
circuit = "compressor"
component = "capacitor"
section = "HERM"
terminals = ["C", "HERM"]
quantity = "capacitance"
state = "isolated and discharged"
kind = "capacitor"
rated = "30 µF"
tolerance = "5 %"

[[component]]
kind = "supply"
name = "line"
circuit = "supply"
terminals = ["L1", "L2"]
volts = "230 V"
frequency = "50 Hz"

[[component]]
kind = "capacitor"
name = "capacitor"
circuit = "compressor"
sections = { HERM = { rated = "30 µF ±5 %", actual = "29 uF", leakage = "100 Mohm" } }

[[component]]
kind = "coil"
name = "coil"
circuit = "control 24 V"
terminals = ["A1", "A2"]
resistance = "22 ohm"

[[component]]
kind = "motor"
name = "motor"
circuit = "compressor"
C-R = "1.5 ohm"
C-S = "4 ohm"
ground = "50 Mohm"

[[component]]
kind = "surface"
name = "pipe"
circuit = "compressor"
temperature = "100 degF"

[[component]]
kind = "resistor"
name = "heater"
circuit = "crankcase"
terminals = ["1", "2"]
resistance = "1.2 kohm"

[[meter]]
name = "Godwit 61"
address = "C0:00:00:00:00:01"
seed = 5
counts = 6000
[[meter.function]]
name = "capacitance"
ranges = ["6.000 µF", "60.00 µF"]
accuracy = "1.2 % + 3 digits"
[[meter.function]]
name = "DC volts"
ranges = ["6.000 V", "60.00 V"]
accuracies = ["0.5 % + 1", "1 % + 2"]

[[step]]
meter = "Godwit 61"
point = "herm"
bounce = 0.4

[[step]]
meter = "Godwit 61"
function = "DC volts"
component = "capacitor"
terminals = ["HERM", "C"]
until = 2
lift = false

[[step]]
lift = "Godwit 61"

[[step]]
drop_connection = "Godwit 61"
seconds = 3

[[step]]
fault = { component = "capacitor", kind = "drift", to = "25 µF", duration = 5 }

[[step]]
fault = { component = "motor", kind = "grounded", to = "20 kohm" }

[[step]]
fault = { component = "coil", kind = "shorted turns", turns = 0.5 }

[[step]]
switch = "line"

[[step]]
discharge = "capacitor"
resistance = "20 kohm"
seconds = 5

[[step]]
wait = 1.5
"""


@pytest.fixture
def load(tmp_path):
    def load(text: str) -> Scenario:
        file = tmp_path / "small.toml"
        file.write_text(text, encoding="utf-8")
        return load_scenario(file)

    return load


def test_a_small_scenario(load):
    scenario = load(SMALL)
    assert (scenario.title, scenario.seed) == ("small", 1)
    assert scenario.ambient == pytest.approx(20.0)
    assert (scenario.site.name, scenario.site.unit) == ("somewhere", "some unit")
    assert scenario.plan.name == "some plan"
    assert scenario.plan.points[0].specification.tolerance == "5 %"
    (spec,) = scenario.meters
    assert [entry.function for entry in spec.functions] == [MeterFunction.CAPACITANCE, MeterFunction.DC_VOLTS]
    assert [scale.accuracy.digits for scale in spec.functions[1].ranges] == [1, 2]
    assert spec.functions[0].ranges[1].max_counts == 5999
    twenty_five: Any = pytest.approx(25e-6)
    assert scenario.steps == (
        Measure(
            "Godwit 61", MeterFunction.CAPACITANCE, TerminalPair("capacitor", "C", "HERM"), "herm", 0.4, None, lift=True
        ),
        Measure("Godwit 61", MeterFunction.DC_VOLTS, TerminalPair("capacitor", "HERM", "C"), "", 0.0, 2.0, lift=False),
        Lift("Godwit 61"),
        DropConnection("Godwit 61", 3.0),
        SetFault(Fault("capacitor", FaultKind.DRIFT, "", twenty_five, 5.0)),
        SetFault(Fault("motor", FaultKind.GROUNDED, "", 20e3)),
        SetFault(Fault("coil", FaultKind.SHORTED_TURNS, "", 0.5)),
        Switch("line", on=False),
        Discharge("capacitor", 20e3, 5.0),
        Wait(1.5),
    )


def test_validation_leaves_no_trace_on_a_built_bench(load):
    scenario = load(SMALL)
    bench = scenario.build_bench()
    meter = scenario.build_meter(scenario.meters[0], bench)
    display = meter.settled_display(TerminalPair("capacitor", "C", "HERM"), MeterFunction.CAPACITANCE, 0.0)
    assert abs(display.digits - 29) < Decimal("0.4")
    bench.set_fault(Fault("capacitor", FaultKind.OPEN), 1.0)
    fresh = scenario.build_meter(scenario.meters[0], scenario.build_bench())
    assert fresh.settled_display(TerminalPair("capacitor", "C", "HERM"), MeterFunction.CAPACITANCE, 1.0) == display


# (text in the small scenario, its replacement, begin of the error: line:column: location: message)
WRONG = [
    ('title = "small"', "", "1:1: title is missing"),
    ("seed = 1\n", "seed = -1\n", "3:1: seed: -1 is not from 0 to 1000000000"),
    ("seed = 1\n", "seed = true\n", "3:1: seed: true is not a whole number"),
    ("seed = 1\n", "seed = 1\nspeed = 2\n", "4:1: speed: 'speed' is not a field here"),
    ('name = "somewhere"', "name = 3", "7:1: site.name: 3 is not text"),
    (
        'rated = "30 µF"',
        'rated = "30 V"',
        "21:1: plan.point 1 (herm), rated: '30 V': 'V' is a unit of voltage, not of capacitance",
    ),
    (
        'terminals = ["C", "HERM"]',
        'terminals = ["C", "FAN"]',
        "17:1: plan.point 1 (herm), terminals: 'capacitor' has no terminal 'FAN'",
    ),
    ('kind = "coil"', 'kind = "spring"', "39:1: component 3 (coil), kind: 'spring' is not known"),
    ('volts = "230 V"', "volts = 230", "29:1: component 1 (line), volts: 230 is not text"),
    ('volts = "230 V"', 'volts = "230 A"', "29:1: component 1 (line), volts: '230 A': 'A' is a unit of current"),
    (
        'actual = "29 uF"',
        'actual = "0 uF"',
        "36:45: component 2 (capacitor), sections.HERM.actual: '0 uF' is not above zero",
    ),
    ('resistance = "22 ohm"', "", "38:1: component 3 (coil): resistance is missing"),
    ('name = "heater"', 'name = "pipe"', "61:1: component 6 (pipe), name: another component has the name 'pipe'"),
    (
        'resistance = "1.2 kohm"',
        'resistance = "1.2 kohm"\nfed_by = "main"',
        "65:1: component 6 (heater), fed_by: no supply listed before it is named 'main'",
    ),
    ("C0:00:00:00:00:01", "here", "68:1: meter 1 (Godwit 61), address: 'here' cannot be used"),
    ("counts = 6000", "counts = 4000", "73:11: meter 1 (Godwit 61), function 1 (capacitance), ranges 1: '6.000 µF' "),
    ('"60.00 µF"]', '"6.000 µF"]', "73:23: meter 1 (Godwit 61), function 1 (capacitance), ranges 2: '6.000 µF' "),
    ('"1.2 % + 3 digits"', '"good"', "74:1: meter 1 (Godwit 61), function 1 (capacitance), accuracy: 'good' is no"),
    (
        '"1.2 % + 3 digits"',
        '"1.2 %"',
        "74:1: meter 1 (Godwit 61), function 1 (capacitance), accuracy: '1.2 %' allows no digit",
    ),
    (
        '["0.5 % + 1", "1 % + 2"]',
        '["0.5 % + 1"]',
        "78:1: meter 1 (Godwit 61), function 2 (DC volts), accuracies: it has 1 item, not 2",
    ),
    (
        'name = "DC volts"',
        'name = "thickness"',
        "76:1: meter 1 (Godwit 61), function 2 (thickness), name: 'thickness' is not known",
    ),
    ('point = "herm"', 'point = "hermetic"', "82:1: step 1, point: the plan has no test point 'hermetic'"),
    (
        'point = "herm"',
        'point = "herm"\nfunction = "DC volts"',
        "83:1: step 1, function: 'DC volts' does not measure the capacitance of point 'herm'",
    ),
    ("bounce = 0.4", 'bounce = "long"', "83:1: step 1, bounce: 'long' is not a number"),
    ('terminals = ["HERM", "C"]', 'terminals = ["HERM"]', "89:1: step 2, terminals: it has 1 item, not 2"),
    (
        'terminals = ["HERM", "C"]',
        'terminals = ["HERM", "FAN"]',
        "89:1: step 2, terminals: 'capacitor' has no terminal 'FAN'",
    ),
    ("until = 2", 'until = "hold"', "90:1: step 2, until: 'hold' is not \"accepted\""),
    ('lift = "Godwit 61"', 'lift = "Plover"', "94:1: step 3, lift: no meter is named 'Plover'"),
    ("seconds = 3", "seconds = nan", "98:1: step 4, seconds: nan cannot be used"),
    (
        'to = "25 µF"',
        'to = "25 ohm"',
        "101:52: step 5, fault.to: '25 ohm': 'ohm' is a unit of resistance, not of capacitance",
    ),
    (
        'kind = "grounded"',
        'kind = "leakage"',
        "104:32: step 6, fault.kind: 'motor' cannot have the fault 'leakage': it has",
    ),
    ("turns = 0.5", "turns = 1.5", "107:55: step 7, fault.turns: 1.5 cannot be used"),
    ('switch = "line"', 'switch = "coil"', "110:1: step 8, switch: 'coil' is not a supply: it has no switch"),
    ('discharge = "capacitor"', 'discharge = "coil"', "113:1: step 9, discharge: 'coil' has no capacitor to discharge"),
    ("wait = 1.5", "zzzz = 1.5", "117:1: step 10: it has none of the keys meter, lift, drop_connection, fault"),
    ("wait = 1.5", "wait = 1.5\nlift = true", "118:1: step 10, wait: 'wait' is not a field here"),
    ("wait = 1.5", "wait = 1.5 s", "118:12: not valid TOML: Expected newline or end of document after a statement"),
    ('title = "small"', 'titel = "small"', "2:1: titel: 'titel' is not a field here"),
    (
        'kind = "drift", to = "25 µF"',
        'kind = "drift", to = "0 µF"',
        "101:52: step 5, fault.to: '0 µF' is not above zero",
    ),
    (
        '"drift", to = "25 µF", duration = 5',
        '"open", duration = 5',
        "101:51: step 5, fault.duration: 'duration' is not a field here",
    ),
    (
        'component = "motor", kind',
        'component = "engine", kind',
        "104:11: step 6, fault.component: no component is named 'engine'",
    ),
    (
        'meter = "Godwit 61"\nfunction = "DC volts"',
        'meter = "Godwit 61"\nfunction = "AC volts"',
        "87:1: step 2, function: Godwit 61 has no function 'AC volts'",
    ),
    ('function = "DC volts"\ncomponent', "component", "85:1: step 2: function is missing"),
    (
        'point = "herm"',
        'point = "herm"\ncomponent = "capacitor"',
        "83:1: step 1, component: a component needs its terminals",
    ),
    (
        'terminals = ["A1", "A2"]',
        'terminals = ["A1", "A1"]',
        "42:20: component 3 (coil), terminals 2: 'A1' is listed twice",
    ),
    (
        'sections = { HERM = { rated = "30 µF ±5 %", actual = "29 uF", leakage = "100 Mohm" } }',
        "sections = {}",
        "36:1: component 2 (capacitor), sections: a run capacitor has one or two sec",
    ),
    (
        'ground = "50 Mohm"',
        'ground = "50 Mohm"\nfed_by = "line"',
        "45:1: component 4 (motor): amps is missing: a motor that is fed needs its running current",
    ),
    ('accuracy = "1.2 % + 3 digits"', "", "71:1: meter 1 (Godwit 61), function 1 (capacitance): accuracy is missing"),
    (
        'accuracy = "1.2 % + 3 digits"',
        'accuracy = "1.2 % + 3 digits"\naccuracies = ["1 % + 1", "1 % + 1"]',
        "75:1: meter 1 (Godwit 61), function 1 (capacitance), accuracies: a function",
    ),
    (
        'name = "DC volts"',
        'name = "capacitance"',
        "76:1: meter 1 (Godwit 61), function 2 (capacitance), name: another meter.fu",
    ),
    (
        'component = "capacitor"\nsection',
        'component = "condenser"\nsection',
        "15:1: plan.point 1 (herm), component: no component is named 'condenser'",
    ),
    ("seed = 5", 'seed = 5\nencoding = "smoke"', "70:1: meter 1 (Godwit 61), encoding: 'smoke' is not known"),
    ('unit = "some unit"', 'unit = "some unit"\n[[points]]', "9:1: points: 'points' is not a field here"),
]


@pytest.mark.parametrize(("old", "new", "words"), WRONG, ids=[f"{old} becomes {new}" for old, new, _ in WRONG])
def test_an_error_names_its_position(load, old, new, words):
    assert old in SMALL
    with pytest.raises(ScenarioError) as caught:
        load(SMALL.replace(old, new, 1))
    first, *_ = str(caught.value).splitlines()
    assert first.partition("small.toml:")[2].startswith(words)


def test_every_error_is_listed_in_one_go(load):
    changes = {
        'title = "small"': "title = 4",
        'rated = "30 µF"': 'rated = "30 V"',
        'kind = "coil"': 'kind = "spring"',
        'temperature = "100 degF"': 'temperature = "warm"',
        'resistance = "1.2 kohm"': 'resistance = "1.2 kohm"\nfed_by = "main"',
        '"60.00 µF"]': '"50.00 µF"]',
        "until = 2": 'until = "hold"',
        'drop_connection = "Godwit 61"': 'drop_connection = "Plover"',
        'to = "25 µF"': 'to = "25 ohm"',
        "turns = 0.5": "turns = 1.5",
        'switch = "line"': 'switch = "heater"',
        'discharge = "capacitor"': 'discharge = "motor"',
        "wait = 1.5": "wait = 1.5\nlong = true",
    }
    text = SMALL
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new, 1)
    with pytest.raises(ScenarioError) as caught:
        load(text)
    lines = [line.partition("small.toml:")[2] for line in str(caught.value).splitlines()]
    located = [re.match(r"\d+:\d+: ([^:]+): ", line) for line in lines]
    locations = [match[1] for match in located if match]
    assert len(locations) == len(lines)
    assert locations == [
        "title",
        "plan.point 1 (herm), rated",
        "component 3 (coil), kind",
        "component 5 (pipe), temperature",
        "component 6 (heater), fed_by",
        "meter 1 (Godwit 61), function 1 (capacitance), ranges 2",
        "step 2, until",
        "step 4, drop_connection",
        "step 5, fault.to",
        "step 7, fault.turns",
        "step 8, switch",
        "step 9, discharge",
        "step 10, long",
    ]


def test_the_schema_fits_the_reader():
    validator = jsonschema.Draft202012Validator(SCENARIO.schema())
    assert validator.is_valid(tomllib.loads(SMALL))
    for name in shipped_scenarios():
        text = (resources.files("meterlink_simulators") / "scenarios" / f"{name}.toml").read_text(encoding="utf-8")
        assert validator.is_valid(tomllib.loads(text))


# Words of the errors that a schema can express.
EXPRESSIBLE = re.compile(
    r"is missing|is not a field|is not (text|a number|a whole number)|is not from|: '[^']+' is not known|listed twice"
    r"|cannot be used|it has 1 item, not 2|none of the keys|not both|needs its terminals|one or two sections"
)
# But JSON has no NaN, and a schema compares no lengths.
EXCEPTIONS = {"seconds = nan", '["0.5 % + 1"]'}


@pytest.mark.parametrize(
    ("old", "new"), [(old, new) for old, new, words in WRONG if EXPRESSIBLE.search(words) and new not in EXCEPTIONS]
)
def test_the_schema_refuses_it_too(old, new):
    assert not jsonschema.Draft202012Validator(SCENARIO.schema()).is_valid(tomllib.loads(SMALL.replace(old, new, 1)))


def leaves(value, path=()):
    """Yield the path of every value in a TOML document, tables included."""
    yield path
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in items:
        yield from leaves(item, (*path, key))


HOSTILE = [
    0,
    1,
    -1,
    2.5,
    True,
    "",
    "x",
    "0 V",
    "-3 °C",
    [],
    ["a", "b"],
    {},
    [{}],
    "Godwit 61",
    "line",
    "capacitor",
    None,
]


@given(st.sampled_from([path for path in leaves(tomllib.loads(SMALL)) if path]), st.sampled_from(HOSTILE))
def test_the_schema_refuses_nothing_that_the_reader_accepts(path, value):
    document = tomllib.loads(SMALL)
    *above, last = path
    table = reduce(getitem, above, document)
    if value is None:
        del table[last]
    else:
        table[last] = value
    problems: list[Any] = []
    SCENARIO.read(json.loads(json.dumps(document), parse_float=Decimal), (), problems)
    if not problems:
        assert jsonschema.Draft202012Validator(SCENARIO.schema()).is_valid(document)


def test_a_missing_file_and_a_missing_scenario(tmp_path):
    with pytest.raises(ScenarioError, match="cannot be read"):
        load_scenario(tmp_path / "none.toml")
    with pytest.raises(ScenarioError, match="Use one of: demo"):
        shipped_scenario("none")
    (tmp_path / "latin.toml").write_bytes(b'title = "\xb5F"')
    with pytest.raises(ScenarioError, match="UTF-8"):
        load_scenario(tmp_path / "latin.toml")


# The demo


@pytest.fixture(scope="module")
def demo() -> Scenario:
    return shipped_scenario("demo")


def settled_points(demo: Scenario) -> dict[str, tuple[Decimal, Decimal, Decimal]]:
    """Return ``{point: (low limit, settled display, high limit)}`` in the limits' unit for every measured point."""
    settled = {}
    for step in demo.steps:
        if not isinstance(step, Measure) or not step.point:
            continue
        bench = demo.build_bench()
        point = next(point for point in demo.plan.points if point.key == step.point)
        if point.state == "isolated and discharged":
            bench.switch_supply("line", 0.0, on=False)
            bench.connect_bleeder("run capacitor", 1e3, 0.0)
            bench.connect_bleeder("run capacitor", math.inf, 1.0)
        spec = next(spec for spec in demo.meters if spec.name == step.meter)
        display = demo.build_meter(spec, bench).settled_display(step.terminals, step.function, 1.0)
        assert isinstance(point.specification, Rating | Span)
        limits = (
            rated_limits(point.specification)
            if isinstance(point.specification, Rating)
            else span_limits(point.specification)
        )
        assert display.digits is not None
        assert limits.low is not None
        assert limits.high is not None
        settled[point.key] = (limits.low, convert(display.digits, display.unit, limits.unit), limits.high)
    return settled


def test_the_demo_measures_every_point_of_its_plan(demo):
    assert "demo" in shipped_scenarios()
    assert set(settled_points(demo)) == {point.key for point in demo.plan.points}
    assert {point.circuit for point in demo.plan.points} >= {"compressor", "condenser fan", "control 24 V", "supply"}


def test_the_demo_has_one_of_each_kind(demo):
    points = settled_points(demo)

    def inside(key: str) -> bool:
        low, digits, high = points[key]
        return low < digits < high

    low, digits, _ = points["run-capacitor-herm"]
    assert digits < low
    assert inside("run-capacitor-fan")
    assert points["blower-capacitor"][1] == points["blower-capacitor"][0] == Decimal("11.75")  # 12.5 µF − 6 %
    low, digits, _ = points["contactor-coil"]
    assert digits < low
    assert inside("supply-volts")
    assert inside("control-volts")
    assert sum(1 for low, digits, high in points.values() if digits in {low, high}) == 1


def reading_of(display, now: float) -> Reading:
    status = Status.OVERLOAD if display.overload else Status.INVALID if display.blank else Status.OK
    step = None if display.digits is None else resolution_of(display.digits)
    timestamp = Timestamp(0, round(now * 1e9))
    return Reading(display.quantity, display.digits, display.unit, timestamp, status, display.coupling, step)


class Player:
    """Plays a scenario without radio, on its own clock; the settling detector accepts the readings."""

    TICKS = 20  # a second

    def __init__(self, scenario: Scenario, phase: float) -> None:
        self.bench = scenario.build_bench()
        self.meters = {spec.name: scenario.build_meter(spec, self.bench) for spec in scenario.meters}
        self.detectors = {name: SettlingDetector() for name in self.meters}
        self.displays: list[Any] = []
        self.accepted: dict[str, Any] = {}
        self.phase, self.tick = phase, 0

    @property
    def now(self) -> float:
        return self.phase + self.tick / self.TICKS

    def run(self, seconds: float, meter: str = "") -> Reading | None:
        end = self.now + seconds
        while self.now < end:
            self.tick += 1
            settled = None
            for name, simulated in self.meters.items():
                if self.tick % round(self.TICKS / simulated.rate):
                    continue
                display = simulated.show(self.now)
                self.displays.append((self.now, name, display))
                reading = self.detectors[name].feed(reading_of(display, self.now)).settled_reading
                settled = reading if name == meter and reading else settled
            if settled is not None:
                return settled
        return None

    def measure(self, step: Measure) -> None:
        simulated = self.meters[step.meter]
        if simulated.function is not step.function:
            simulated.turn_dial(step.function)
            self.detectors[step.meter].reset()
        if self.bench.probes(step.meter).terminals != step.terminals:
            self.bench.attach_probes(step.meter, step.terminals, self.now, step.bounce)
        if step.seconds is not None:
            self.run(step.seconds)
        else:
            settled = self.run(30.0, step.meter)
            assert settled is not None, f"{step.point} never settled"
            expected = simulated.settled_display(step.terminals, step.function, self.now)
            assert (settled.digits, settled.unit) == (expected.digits, expected.unit), step.point
            self.accepted[step.point] = settled.text
        if step.lift:
            self.bench.lift_probes(step.meter, self.now)

    def play(self, step) -> None:
        match step:
            case Measure():
                self.measure(step)
            case Wait(seconds):
                self.run(seconds)
            case Lift(meter):
                self.bench.lift_probes(meter, self.now)
            case DropConnection(meter):
                self.detectors[meter].reset()
            case Switch(supply, on):
                self.bench.switch_supply(supply, self.now, on=on)
            case Discharge(component, ohms, seconds):
                self.bench.connect_bleeder(component, ohms, self.now)
                self.run(seconds)
                self.bench.connect_bleeder(component, math.inf, self.now)
            case SetFault(fault):
                self.bench.set_fault(fault, self.now)


def played(demo: Scenario, phase: float = 0.0) -> Player:
    player = Player(demo, phase)
    for step in demo.steps:
        player.play(step)
    return player


def test_the_demo_plays_the_same_every_time(demo):
    first, again = played(demo), played(demo)
    assert first.displays == again.displays
    assert len(first.accepted) == len(demo.plan.points)
    assert 60 <= first.now <= 100
    # With the bouncing a little later or sooner, the same displays are accepted.
    for phase in (0.013, 0.031, 0.07):
        assert played(demo, phase).accepted == first.accepted


def test_the_demo_runs_a_battery_down_and_works_with_two_meters_at_once(demo):
    player = played(demo)
    low = [display.low_battery for _, name, display in player.displays if name == "Plover 62"]
    assert not low[0]
    assert low[-1]
    assert low == sorted(low)
    steps = list(demo.steps)
    (beside,) = (step for step in steps if isinstance(step, Measure) and step.seconds == 0 and not step.lift)
    meanwhile = steps[steps.index(beside) + 1 : steps.index(Lift(beside.meter))]
    assert {step.meter for step in meanwhile if isinstance(step, Measure)} == {"Godwit 61"} != {beside.meter}


def test_the_demo_drops_a_link_while_a_reading_settles(demo):
    steps = list(demo.steps)
    (drop,) = (step for step in steps if isinstance(step, DropConnection))
    before, after = (steps[steps.index(drop) + offset] for offset in (-1, 1))
    assert isinstance(before, Measure)
    assert isinstance(after, Measure)
    assert not before.lift
    assert before.seconds is not None
    assert (before.meter, before.terminals, before.function) == (after.meter, after.terminals, after.function)
    assert before.meter == drop.meter
    assert after.seconds is None
    player = Player(demo, 0.0)
    for step in steps[: steps.index(drop)]:
        player.play(step)
    display = player.displays[-1][2]
    settled = player.meters[drop.meter].settled_display(before.terminals, before.function, player.now)
    assert display.digits != settled.digits


def test_the_demo_discharges_before_it_measures_farads_or_ohms(demo):
    player = Player(demo, 0.0)
    for step in demo.steps:
        if isinstance(step, Measure) and step.function in {MeterFunction.CAPACITANCE, MeterFunction.RESISTANCE}:
            assert not player.bench.true_value(step.terminals, step.function.quantity, player.now).energized
        player.play(step)

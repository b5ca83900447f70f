"""Scenario files: their fields, their errors, and the scenario of the demo."""

import math
import re
from decimal import Decimal

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Rating, Span
from meterlink.core.errors import MeterlinkError
from meterlink.core.readings import Reading, Status
from meterlink.core.units import convert, resolution_of
from meterlink.judge.limits import rated_limits, span_limits
from meterlink.settling.detector import SettlingDetector
from meterlink_simulators.faults import Fault, FaultKind
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import MeterFunction
from meterlink_simulators.scenario import Scenario, load_scenario, shipped_scenario, shipped_scenarios
from meterlink_simulators.scenario_steps import Discharge, DropConnection, Lift, Measure, SetFault, Switch, Wait
from meterlink_simulators.scenario_tables import ScenarioError

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
    assert scenario.steps == (
        Measure(
            "Godwit 61", MeterFunction.CAPACITANCE, TerminalPair("capacitor", "C", "HERM"), "herm", 0.4, None, lift=True
        ),
        Measure("Godwit 61", MeterFunction.DC_VOLTS, TerminalPair("capacitor", "HERM", "C"), "", 0.0, 2.0, lift=False),
        Lift("Godwit 61"),
        DropConnection("Godwit 61", 3.0),
        SetFault(Fault("capacitor", FaultKind.DRIFT, "", pytest.approx(25e-6), 5.0)),
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


# (text in the small scenario, its replacement, words of the error)
WRONG = [
    ('title = "small"', "", "small.toml, key 'title'"),
    ("seed = 1\n", "seed = -1\n", "small.toml, key 'seed'"),
    ("seed = 1\n", "seed = true\n", "key 'seed'"),
    ("seed = 1\n", "seed = 1\nspeed = 2\n", "key 'speed'"),
    ('name = "somewhere"', "name = 3", "site, key 'name'"),
    ('rated = "30 µF"', 'rated = "30 V"', "small.toml, plan, point 1 (herm)"),
    ('terminals = ["C", "HERM"]', 'terminals = ["C", "FAN"]', "'capacitor' has no terminal 'FAN'"),
    ('kind = "coil"', 'kind = "spring"', "component 3 (line @), key 'kind'"),
    ('volts = "230 V"', "volts = 230", "component 1 (line @), key 'volts'"),
    ('volts = "230 V"', 'volts = "230 A"', "key 'volts'"),
    ('actual = "29 uF"', 'actual = "0 uF"', "component 2 (line @), sections, HERM, key 'actual'"),
    ('resistance = "22 ohm"', "", "component 3 (line @), key 'resistance'"),
    ('name = "heater"', 'name = "pipe"', "two components named 'pipe'"),
    ('resistance = "1.2 kohm"', 'resistance = "1.2 kohm"\nfed_by = "main"', "'heater' names 'main'"),
    ("C0:00:00:00:00:01", "here", "meter 1 (line @), key 'address'"),
    ("counts = 6000", "counts = 4000", "function 1, key 'ranges'"),
    ('"60.00 µF"]', '"6.000 µF"]', "function 1, key 'ranges'"),
    ('"1.2 % + 3 digits"', '"good"', "function 1, key 'accuracy'"),
    ('"1.2 % + 3 digits"', '"1.2 %"', "function 1, key 'accuracy'"),
    ('["0.5 % + 1", "1 % + 2"]', '["0.5 % + 1"]', "function 2, key 'accuracies'"),
    ('name = "DC volts"', 'name = "thickness"', "function 2, key 'name'"),
    ('point = "herm"', 'point = "hermetic"', "step 1 (line @), key 'point'"),
    ('point = "herm"', 'point = "herm"\nfunction = "DC volts"', "step 1 (line @), key 'function'"),
    ("bounce = 0.4", 'bounce = "long"', "step 1 (line @), key 'bounce'"),
    ('terminals = ["HERM", "C"]', 'terminals = ["HERM"]', "step 2 (line @), key 'terminals'"),
    ('terminals = ["HERM", "C"]', 'terminals = ["HERM", "FAN"]', "step 2 (line @), key 'terminals'"),
    ("until = 2", 'until = "hold"', "step 2 (line @), key 'until'"),
    ('lift = "Godwit 61"', 'lift = "Plover"', "step 3 (line @), key 'lift'"),
    ("seconds = 3", "seconds = nan", "step 4 (line @), key 'seconds'"),
    ('to = "25 µF"', 'to = "25 ohm"', "step 5 (line @), fault, key 'to'"),
    ('kind = "grounded"', 'kind = "leakage"', "step 6 (line @), fault, key 'kind'"),
    ("turns = 0.5", "turns = 1.5", "step 7 (line @), fault, key 'turns'"),
    ('switch = "line"', 'switch = "coil"', "step 8 (line @), key 'switch'"),
    ('discharge = "capacitor"', 'discharge = "coil"', "step 9 (line @), key 'discharge'"),
    ("wait = 1.5", "wave = 1.5", "step 10 (line @)"),
    ("wait = 1.5", "wait = 1.5\nlift = true", "step 10 (line @), key 'lift'"),
    ("wait = 1.5", "wait = 1.5 s", "small.toml:118:12: not valid TOML"),
]


def with_line(words: str, text: str) -> str:
    """Replace @ in ``words`` by the line of the header that they name."""
    header = re.search(r"(\w+) (\d+) \(line @\)", words)
    if header is None:
        return words
    before = f"[[{header[1]}]]".join(text.split(f"[[{header[1]}]]")[: int(header[2])])
    return words.replace("@", str(before.count("\n") + 1))


@pytest.mark.parametrize(("old", "new", "words"), WRONG, ids=[f"{old} becomes {new}" for old, new, _ in WRONG])
def test_an_error_names_its_location(load, old, new, words):
    assert old in SMALL
    text = SMALL.replace(old, new, 1)
    with pytest.raises(MeterlinkError) as caught:
        load(text)
    assert with_line(words, text) in str(caught.value)


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
        self.displays = []
        self.accepted = {}
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

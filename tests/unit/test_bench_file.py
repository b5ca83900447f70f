"""Bench files, and the wired parts in a scenario: read as declared, and behaving as the same bench made in Python."""

import json
import math
import tomllib
from pathlib import Path

import jsonschema
import pytest

from meterlink.core.readings import Coupling
from meterlink_simulators.bench import Bench
from meterlink_simulators.bench_file import BENCH, BenchFileError, load_bench
from meterlink_simulators.components import Component, Leg, Star
from meterlink_simulators.faults import Fault, FaultKind
from meterlink_simulators.inverter import Inverter, inverter_motor
from meterlink_simulators.mains import mains
from meterlink_simulators.motors import single_phase_motor, three_phase_motor
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.scenario import SCENARIO, ScenarioError, load_scenario
from meterlink_simulators.scenario_steps import Leads, Measure, Operate, SetFault
from meterlink_simulators.switchgear import Pole, Switch, coil, contactor, fuse
from meterlink_simulators.transformer import Transformer
from meterlink_simulators.wiring import Wire
from support.valid_files import BENCH_FILE
from support.wired_units import A, V, value


def made_in_python() -> list[Component]:
    return [
        mains("line", "supply", "split phase", 240.0, impedance=0.03 + 0.01j),
        Transformer("transformer", "control 24 V", {"208": 208.0, "240": 240.0}, 26.0),
        fuse("fuse", "control 24 V", ("1", "2"), 3.0),
        Switch("thermostat", "control 24 V", (Pole("R", "Y"),)),
        coil("contactor coil", "control 24 V", ("A1", "A2"), 12.0, henries=0.05, drop_out=10.0),
        contactor("contactor", "compressor", {"L1": "T1"}, "contactor coil", bars={"L2": "T2"}),
        single_phase_motor(
            "compressor",
            "compressor",
            main_ohms=0.9,
            start_ohms=2.9,
            amps=12.0,
            locked_amps=80.0,
            farads=45e-6,
            ground_ohms=5e8,
        ),
        Star(
            "run capacitor", "compressor", {"C": Leg(), "HERM": Leg(ohms=0.05, farads=45e-6, rated="45 µF")}
        ),
        three_phase_motor(
            "scroll", "second compressor", ohms=1.6, amps=20.0, locked_amps=120.0, rated_volts=208.0
        ),
        Inverter("inverter", "third compressor", bleed_ohms=20e3),
        inverter_motor("driven motor", "third compressor", ohms=1.2),
        Star("defrost heater", "defrost", {"H1": Leg(ohms=35.0), "H2": Leg(), "GND": Leg(ohms=8e7)}),
    ]  # fmt: skip


@pytest.fixture
def load(tmp_path: Path):
    def load(text: str):
        file = tmp_path / "bench.toml"
        file.write_text(text, encoding="utf-8")
        return load_bench(file)

    return load


def test_a_bench_file_gives_the_components_that_the_constructors_make(load):
    bench = load(BENCH_FILE)
    assert bench.ambient == pytest.approx(30.0)
    by_name = {component.name: component for component in bench.components}
    for made in made_in_python():
        if isinstance(made, Star) and any(leg.farads for leg in made.legs.values()):
            # 45 µF is not a binary fraction: the text and the literal differ in the last place.
            assert by_name[made.name].legs["HERM"].farads == pytest.approx(made.legs["HERM"].farads)
        elif made.name == "compressor":
            assert by_name[made.name].farads == pytest.approx(45e-6)
            assert by_name[made.name].legs == made.legs
        else:
            assert by_name[made.name] == made
    assert set(by_name) == {made.name for made in made_in_python()}
    assert bench.wires[0] == Wire("line.L1", "contactor.L1")


def test_a_bench_from_a_file_runs_as_one_made_in_python(load):
    described = load(BENCH_FILE)
    benches = [described.build(), Bench(made_in_python(), wires=described.wires)]
    for bench in benches:
        bench.operate("thermostat", 1.0, on=True)
    first, second = (
        [
            value(bench, "compressor.C - compressor.R", A, 10.0),
            value(bench, "contactor coil.A1 - contactor coil.A2", V, 10.0),
            value(bench, "contactor.L1 - contactor.T1", V, 10.0),
        ]
        for bench in benches
    )
    assert first == pytest.approx(second)
    assert first[0] == pytest.approx(12.0, rel=0.02)  # it runs at its rated current


WRONG = [
    ('"line.L1 - contactor.L1"', '"line.L1 contactor.L1"', "wires 1: 'line.L1 contactor.L1' is not a wire"),
    ('"line.L1 - contactor.L1"', '"line.L9 - contactor.L1"', "wires 1: A wire leads to 'line.L9', which is not a term"),
    ('"line.L2 - contactor.L2"', '"line.L2 - starter.L2"', "wires 2: A wire leads to 'starter.L2', but the bench has"),
    ('layout = "split phase"', 'layout = "four phases"', "component 1 (line), layout: 'four phases' is not known"),
    ("taps = { 208", "taps = { COM", "component 2 (transformer), taps: two terminals are named 'COM'"),
    ('poles = { R = "Y" }', "poles = {}", "component 4 (thermostat), poles: a switch has at least one pole"),
    ('poles = { L1 = "T1" }', 'poles = { L1 = "L2" }', "component 6 (contactor), poles: two terminals are named 'L2'"),
    ('coil = "contactor coil"', 'coil = "relay coil"', "component 6 (contactor), coil: no coil listed before it"),
    ('coil = "contactor coil"', "rests_closed = true", "component 6 (contactor), rests_closed: only a coil leaves"),
    ('start = "2.9 ohm"', "", "component 7 (compressor): a motor without a start winding has 2 terminals"),
    ('locked_amps = "80 A"', 'locked_amps = "900 A"', "component 7 (compressor): 'compressor': 900 A of locked-rotor"),
    ('bleed = "20 kohm"', 'inputs = ["L1", "U"]', "component 10 (inverter), inputs: 'U' is another terminal"),
]


@pytest.mark.parametrize(("old", "new", "words"), WRONG, ids=[new or old for old, new, _ in WRONG])
def test_an_error_names_its_position(load, old, new, words):
    assert old in BENCH_FILE
    with pytest.raises(BenchFileError) as caught:
        load(BENCH_FILE.replace(old, new, 1))
    first, *_ = str(caught.value).splitlines()
    assert first.partition("bench.toml:")[2].partition(": ")[2].startswith(words)


def test_a_coil_that_is_not_wired_moves_no_switch(load):
    text = BENCH_FILE.replace('"thermostat.Y - contactor coil.A1",', "").replace(
        '"contactor coil.A2 - transformer.C",', ""
    )
    with pytest.raises(BenchFileError, match=r"\(contactor\), coil: the coil 'contactor coil' is not wired"):
        load(text)


def test_the_schema_fits_the_reader():
    schema = BENCH.schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    assert validator.is_valid(tomllib.loads(BENCH_FILE))
    for old, new, _ in WRONG:
        document = tomllib.loads(BENCH_FILE.replace(old, new, 1))
        if "is not known" in _ or "at least one" in _:
            assert not validator.is_valid(json.loads(json.dumps(document)))


# In a scenario

SCENARIO_TEXT = (
    'title = "wired"\nseed = 1\n'
    + BENCH_FILE
    + """
[site]
name = "somewhere"
unit = "some unit"

[plan]
name = "some plan"
[[plan.point]]
key = "amps"
circuit = "compressor"
component = "compressor"
terminals = ["C", "R"]
quantity = "current"
state = "energized"
kind = "range"

[[meter]]
name = "Godwit 61"
address = "C0:00:00:00:00:01"
seed = 5
counts = 6000
[[meter.function]]
name = "AC volts"
ranges = ["6.000 V", "60.00 V", "600.0 V"]
accuracy = "1 % + 3 digits"

[[step]]
operate = "thermostat"
on = true

[[step]]
meter = "Godwit 61"
function = "AC volts"
component = "contactor"
second_component = "run capacitor"
terminals = ["T1", "C"]
until = 2

[[step]]
fault = { component = "contactor", kind = "bad connection", terminal = "T1", to = "5 ohm" }

[[step]]
fault = { component = "compressor", kind = "bad connection", terminal = "S", to = "off" }

[[step]]
fault = { component = "contactor coil", kind = "wrong coil", volts = "240 V" }

[[step]]
fault = { component = "compressor", kind = "grounded", terminal = "R", to = "20 kohm" }

[[step]]
fault = { component = "contactor", kind = "drift", terminal = "L1", to = "60 mohm" }

[[step]]
fault = { component = "contactor", kind = "welded" }

[[step]]
fault = { component = "line", kind = "open", terminal = "L2" }

[[step]]
fault = { component = "defrost heater", kind = "partly open", terminal = "H1", share = 0.5 }

[[step]]
fault = { component = "compressor", kind = "rotor locked" }

[[step]]
leads = "compressor"
"""
)


@pytest.fixture
def load_wired(tmp_path: Path):
    def load(text: str):
        file = tmp_path / "scenario.toml"
        file.write_text(text, encoding="utf-8")
        return load_scenario(file)

    return load


def test_steps_on_wired_parts(load_wired):
    scenario = load_wired(SCENARIO_TEXT)
    operate, measure, joint, lead_off, wrong_coil, grounded, worn, *_, leads = scenario.steps
    assert operate == Operate("thermostat", on=True)
    assert isinstance(measure, Measure)
    assert measure.terminals == TerminalPair("contactor", "T1", "C", "run capacitor")
    assert joint == SetFault(Fault("contactor", FaultKind.BAD_CONNECTION, "T1", 5.0))
    assert lead_off == SetFault(Fault("compressor", FaultKind.BAD_CONNECTION, "S", math.inf))
    assert wrong_coil == SetFault(Fault("contactor coil", FaultKind.WRONG_COIL, "", 240.0))
    assert grounded == SetFault(Fault("compressor", FaultKind.GROUNDED, "R", 20e3))
    assert worn == SetFault(Fault("contactor", FaultKind.DRIFT, "L1", 0.06))
    assert leads == Leads("compressor", on=False)
    bench = scenario.build_bench()
    bench.operate("thermostat", 0.0, on=True)
    pair = measure.terminals
    assert bench.true_value(pair, V, 5.0, Coupling.AC).value == pytest.approx(240.0, rel=0.02)
    assert jsonschema.Draft202012Validator(SCENARIO.schema()).is_valid(tomllib.loads(SCENARIO_TEXT))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('operate = "thermostat"', 'operate = "contactor"', "operate: 'contactor' cannot be operated"),
        ('operate = "thermostat"', 'operate = "timer"', "operate: no component is named 'timer'"),
        ('leads = "compressor"', 'leads = "timer"', "leads: no component is named 'timer'"),
        ('second_component = "run capacitor"', 'second_component = "timer"', "second_component: no component is named"),
        ('terminals = ["T1", "C"]', 'terminals = ["T1", "X"]', "terminals: 'run capacitor' has no terminal 'X'"),
        ('terminal = "T1", to = "5 ohm"', 'terminal = "T9", to = "5 ohm"', "fault.component: 'contactor' cannot have"),
        ('terminal = "T1", to = "5 ohm"', 'terminal = "T1", to = "5 V"', "fault.to: "),
        ('terminal = "T1", to = "5 ohm"', 'terminal = "T1", to = "0 ohm"', "fault.to: '0 ohm' is not above zero"),
        ('component = "contactor"\nsecond', "second", "second_component: a second component needs the first one"),
    ],
)
def test_a_wrong_step_on_wired_parts_is_refused(load_wired, old, new, words):
    assert old in SCENARIO_TEXT
    with pytest.raises(ScenarioError) as caught:
        load_wired(SCENARIO_TEXT.replace(old, new, 1))
    assert words in str(caught.value)


def test_a_clamp_around_a_wire_and_its_return_shows_nothing(load):
    bench = load(BENCH_FILE).build()
    bench.operate("thermostat", 0.0, on=True)
    single = bench.clamped_amps([("compressor", "C")], 5.0)
    assert single == pytest.approx(value(bench, "compressor.C - compressor.R", A, 5.0))
    # Every ampere that enters at C leaves at R and S (Kirchhoff's current law).
    leads = [("compressor", terminal) for terminal in ("C", "R", "S")]
    assert bench.clamped_amps(leads, 5.0) == pytest.approx(0.0, abs=1e-3)

"""``meterlink plan`` as a shell sees it."""

import json
from functools import partial
from pathlib import Path

import pytest

from meterlink.core.cautions import caution_at
from meterlink.plans import load_plan, read_plan_text, shipped_plans
from support.commands import run_command

GOOD = """
name = "fan"
[[point]]
key = "coil"
circuit = "control"
component = "relay coil"
terminals = ["A1", "A2"]
quantity = "resistance"
state = "isolated and discharged"
kind = "coil"
low = "10 ohm"
high = "18 ohm"
why = "An open coil never pulls in."
"""


run = partial(run_command, "plan")


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return Path("fan.toml")


def test_a_good_file(file: Path) -> None:
    file.write_text(GOOD, encoding="utf-8")
    assert run("check", "fan.toml") == (0, "fan.toml: fan, 1 test point, no warnings.\n", "")


def test_warnings_do_not_fail(file: Path) -> None:
    file.write_text(GOOD.replace('why = "An open coil never pulls in."', ""), encoding="utf-8")
    code, out, err = run("check", "fan.toml")
    assert (code, out) == (0, "fan.toml: fan, 1 test point, 1 warning.\n")
    assert err.startswith("fan.toml:3:1: warning: point 1 (coil): why is missing.")


def test_every_error_has_its_line(file: Path) -> None:
    file.write_text(GOOD.replace('"10 ohm"', '"20 ohm"').replace('"control"', "7"), encoding="utf-8")
    code, out, err = run("check", "fan.toml")
    assert (code, out) == (2, "")
    assert err.splitlines() == [
        'fan.toml:5:1: point 1 (coil), circuit: 7 is not text. Write circuit = "…".',
        "fan.toml:11:1: point 1 (coil), low: the low limit 20 Ω is above the high limit 18 Ω. Swap them.",
    ]


def test_a_missing_file() -> None:
    for action in ("check", "show"):
        code, out, err = run(action, "nowhere.toml")
        assert (code, out) == (2, "")
        assert "nowhere.toml" in err
        assert "split-condenser" in err


@pytest.mark.skipif("sys.platform == 'win32'", reason="Windows has no such file names")
def test_control_characters_of_a_file_name_are_not_printed(file: Path) -> None:
    file.with_name("\x1b[2J.toml").write_text("name = 1", encoding="utf-8")
    code, _, err = run("check", "\x1b[2J.toml")
    assert code == 2
    assert err.startswith("?[2J.toml:1:1: ")


def test_the_list() -> None:
    code, out, _ = run("list")
    assert code == 0
    assert [line.split(" ")[0] for line in out.splitlines()[1:]] == list(shipped_plans())


@pytest.mark.parametrize("columns", [40, 80])
@pytest.mark.parametrize("name", shipped_plans())
def test_a_plan_shown(monkeypatch: pytest.MonkeyPatch, name: str, columns: int) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    code, out, err = run("show", name)
    assert (code, err) == (0, "")
    assert max(map(len, out.splitlines())) <= columns
    words = " ".join(out.split())
    for number, point in enumerate(load_plan(name).points, 1):
        assert f"{number}. {point.circuit}: {point.title}" in words
        assert point.why in words
        assert f"CAUTION: {caution_at(point, load_plan(name).points)}" in words


def test_a_point_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    _, out, _ = run("show", "split-condenser")
    first, *blocks = out.split("\n\n")
    assert first.endswith("Order: energized 1 to 4, then isolated and discharged 5 to 19, then energized 20\nto 29.")
    points = {block.split(".")[0]: block for block in blocks}
    assert points["1"].startswith("1. supply: line\n   AC voltage, L1 to L2, energized\n   Limits: from the answer to")
    assert points["3"].startswith(
        "3. supply: line L1-GND (optional)\n   AC voltage, L1 to GND, energized\n   Limits: 108"
    )
    assert "   AC current, in the lead between T1 and motor, energized\n   Limits: none yet" in points["26"]
    assert "lead between HERM and S, energized\n   Limits: none of its own; used for run capacitor HERM" in points["25"]
    heading, windings, last, *_ = blocks[-5:]
    assert heading == "Derived from several readings"
    assert windings.startswith("compressor motor windings")
    assert last.startswith(
        "run capacitor HERM under load\n   from test points 25, 24, 5\n   Limits: the rating of the run capacitor"
    )


def test_derived_points_as_json() -> None:
    _, out, _ = run("show", "rooftop-three-phase", "--json")
    first, windings, *_ = json.loads(out)["derived"]
    assert first["inputs"] == ["supply-l1-l2", "supply-l2-l3", "supply-l1-l3"]
    assert (first["kind"], first["at_most"], first["low"], first["frequency"]) == ("unbalance", "2 %", None, None)
    assert "NEMA MG-1" in first["basis"]
    assert windings["title"] == "compressor motor windings"
    _, out, _ = run("show", "split-condenser", "--json")
    under_load = json.loads(out)["derived"][1]
    assert under_load["inputs"]["capacitor"] == "run-capacitor-herm"
    assert under_load["frequency"] == "60 Hz"


def test_a_rating_shown(file: Path) -> None:
    file.write_text(
        GOOD.replace('low = "10 ohm"', 'rated = "12 ohm"').replace('high = "18 ohm"', 'tolerance = "10 %"'),
        encoding="utf-8",
    )
    _, out, _ = run("show", "fan.toml")
    assert "Limits: 10.8 to 13.2 Ω (12 Ω ±10 %)" in out


def test_a_plan_as_json(file: Path) -> None:
    file.write_text(GOOD, encoding="utf-8")
    code, out, _ = run("show", "fan.toml", "--json")
    assert code == 0
    fields = json.loads(out)
    assert (fields["name"], fields["questions"]) == ("fan", [])
    (point,) = fields["points"]
    caution = point.pop("caution")
    assert "tester proved on a known source" in caution
    assert point == {
        "key": "coil", "circuit": "control", "component": "relay coil", "section": "", "terminals": ["A1", "A2"],
        "quantity": "resistance", "coupling": None, "state": "isolated and discharged", "kind": "coil",
        "rated": None, "tolerance": None, "low": "10 Ω", "high": "18 Ω",
        "limits": {"low": 10.0, "high": 18.0, "unit": "Ω", "basis": "10 to 18 Ω"},
        "band": None, "rated_by": None, "in_series": False, "optional": False, "when": {}, "hazards": [],
        "why": "An open coil never pulls in.",
    }  # fmt: skip


def test_questions_are_printed_and_answered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    _, out, _ = run("show", "split-condenser")
    assert "service: Which service feeds the unit?\n   208: 208 V: two legs of a three-phase service\n" in out
    assert "contactor-poles: How many poles has the contactor?, where compressor-drive is capacitor\n" in out
    assert "Limits: from the answer to service" in out
    assert "compressor: run capacitor HERM, where compressor-drive is capacitor" in out
    code, out, _ = run("show", "split-condenser", "--answer", "service=208", "--answer", "compressor-drive=inverter")
    assert code == 0
    assert "Limits: 187.2 to 228.8 V (208 V supply, ±10 % by AHRI 210/240)" in out
    assert "run capacitor HERM" not in out
    assert "Which service" not in out
    assert "fan-motor: What kind of motor has the condenser fan?" in out
    code, out, _ = run("show", "gas-furnace", "--json", "--answer", "service=1")
    assert code == 0
    fields = json.loads(out)
    assert [question["key"] for question in fields["questions"]] == ["blower-motor", "igniter"]
    assert fields["questions"][1]["usual"] == "hot-surface"
    points = {point["key"]: point for point in fields["points"]}
    assert points["flame-current"]["in_series"] is True
    assert (points["supply-volts"]["rated"], points["supply-volts"]["band"]) == ("120 V", "supply")
    assert "blower-capacitor" not in points


def test_a_check_lists_the_open_questions(tmp_path: Path) -> None:
    file = tmp_path / "split.toml"
    file.write_text(read_plan_text("split-condenser"), encoding="utf-8")
    code, out, err = run("check", str(file))
    assert (code, err) == (0, "")
    assert out.splitlines()[0].endswith("single-phase split condenser, 29 test points, 4 derived points, no warnings.")
    assert out.splitlines()[1] == "service: Which service feeds the unit? (208, 240, 208-230)"
    code, out, _ = run("check", str(file), "--answer", "compressor-drive=capacitor", "--answer", "service=208")
    assert [line.split(":")[0] for line in out.splitlines()[1:]] == ["fan-motor", "contactor-poles"]


@pytest.mark.parametrize(
    ("answer", "message"),
    [
        ("service", "--answer 'service' is not KEY=CHOICE"),
        ("colour=red", "There is no question 'colour'"),
        ("service=380", "'380' answers no choice of: Which service feeds the unit?"),
    ],
)
def test_a_wrong_answer(answer: str, message: str) -> None:
    code, out, err = run("show", "split-condenser", "--answer", answer)
    assert (code, out) == (2, "")
    assert message in err


def test_json_with_and_without_limits() -> None:
    _, out, _ = run("show", "walk-in-cooler", "--json")
    points = {point["key"]: point for point in json.loads(out)["points"]}
    assert points["run-capacitor"]["limits"] is None
    assert points["start-relay-contacts"]["low"] is None
    assert points["start-relay-contacts"]["limits"]["high"] == 1
    assert points["compressor-amps"]["coupling"] == "AC"

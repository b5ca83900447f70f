"""TOML files that people write: settings, plans, profiles, stock lists, readings, replacements, benches, scenarios."""

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from importlib import resources
from pathlib import Path
from random import Random
from typing import Any

from meterlink.cli.judge.readings_file import READINGS
from meterlink.cli.judge.replacement_table import REPLACEMENTS
from meterlink.core.units import parse_unit
from meterlink.diagnosis.rules import RULES
from meterlink.driver_api import Reading
from meterlink.plans import check_plan, read_plan_text, shipped_plans
from meterlink.profiles import check_profile, open_profile_driver
from meterlink.settings.parser import SETTINGS
from meterlink.settings.stock import STOCK
from meterlink.tomlfile.documents import Checked, check_document
from meterlink.tomlfile.files import read_package_text
from meterlink_simulators.bench_file import BENCH
from meterlink_simulators.scenario import SCENARIO
from studies.fuzz.target import Target
from support.fuzz.mutants import mutate_text, mutate_values
from support.fuzz.profile_cases import CASES, CHANNEL, HEAD, NOW, Case
from support.valid_files import BENCH_FILE, FILES

_BLOCK = re.compile(r"^(?=\[\[(?:point|derived|rule|component|step|meter|question)\]\])", re.MULTILINE)
_MOST_PROBLEMS = 101  # lines of a refusal: each names file, line and column
_PROBLEM = re.compile(r"file\.toml:[0-9]+:[0-9]+: \S")
_REPLACEMENTS = """\
[[replacement]]
component = "run capacitor"
circuit = "compressor"
old_rating = "45+5 uF"
new_rating = "50+5 uF 440 V"
on = "2026-06-03"
"""
_READINGS = """\
name = "one capacitor"
[[point]]
key = "herm"
circuit = "compressor"
component = "run capacitor"
terminals = ["C", "HERM"]
section = "HERM"
quantity = "capacitance"
state = "isolated and discharged"
kind = "capacitor"
rated = "45 uF"
readings = ["44.1 uF", { display = "38.0 uF", minutes = 5, accuracy = "2 % + 5 digits" }]
"""
_Check = Callable[[str], Checked[Any]]


@contextmanager
def toml_targets(_folder: Path) -> Iterator[Sequence[Target]]:
    """Yield the readers of TOML files."""
    parse_unit("uohm")  # loads pint, 20 MB, which the first unusual unit would do
    plans = [_BLOCK.split(read_plan_text(name)) for name in shipped_plans()]
    rules = _BLOCK.split(read_package_text("meterlink.diagnosis", "rules.toml"))
    scenarios = resources.files("meterlink_simulators") / "scenarios"
    demo = _BLOCK.split((scenarios / "demo.toml").read_text(encoding="utf-8"))
    yield (
        _target("settings", 25, _of(FILES["settings"]), partial(check_document, table=SETTINGS)),
        _target("stock lists", 6, _of(FILES["stock"] * 3), partial(check_document, table=STOCK)),
        _target("replacements", 25, _of(_REPLACEMENTS), partial(check_document, table=REPLACEMENTS)),
        _target("readings", 8, _of(_READINGS), partial(check_document, table=READINGS)),
        _target("plans", 9, lambda rng: _some_blocks(rng, rng.choice(plans), 3), check_plan),
        _target("profiles", 20, _profile, check_profile, _feed),
        _target("rules", 5, lambda rng: _some_blocks(rng, rules, 3), partial(check_document, table=RULES)),
        _target("benches", 1.5, _of(BENCH_FILE), partial(check_document, table=BENCH)),
        _target("scenarios", 0.5, lambda rng: _without_block(rng, demo), partial(check_document, table=SCENARIO)),
    )


def _target(
    name: str,
    share: float,
    draw: Callable[[Random], str],
    check: _Check,
    use: Callable[[Any], str] = lambda _: "read",
    accepted: float = 0.03,
) -> Target:
    def draw_file(rng: Random) -> str:
        text = draw(rng)
        # Most changes of any place end at the syntax; a change within quotes or of a number reaches the tables.
        changed = mutate_values(rng, text) if rng.randrange(3) else mutate_text(rng, text, most=2)
        return changed.encode(errors="replace").decode()

    def read(text: str) -> str:
        checked = check(text)
        try:
            value = checked.require("file.toml")
        except Exception as error:
            lines = str(error).splitlines()
            assert len(lines) <= _MOST_PROBLEMS
            assert all(_PROBLEM.match(line) for line in lines[:100]), lines
            raise
        assert not checked.errors
        return use(value)

    return Target(name, share, draw_file, read, first=r"valid TOML", least_past=0.3, least_accepted=accepted)


def _of(text: str) -> Callable[[Random], str]:
    return lambda _: text


def _some_blocks(rng: Random, blocks: Sequence[str], most: int) -> str:
    return blocks[0] + "".join(rng.choices(blocks[1:], k=rng.randint(1, most)))


def _without_block(rng: Random, blocks: Sequence[str]) -> str:
    left_out = rng.randrange(1, 2 * len(blocks))
    return "".join(block for number, block in enumerate(blocks) if number != left_out)


def _profile(rng: Random) -> str:
    case: Case = rng.choice(CASES)
    return HEAD.format(driver=case.driver) + case.profile if case.profile else FILES["profile"]


def _feed(profile: Any) -> str:
    """Read frames with an accepted profile, those of each kind of meter and noise."""
    rng = Random(1)
    driver = open_profile_driver(profile, [CHANNEL])
    readings: list[Reading] = []
    for case in CASES:
        for packet in (case.frame(rng), rng.randbytes(9)):
            for channel in driver.channels:
                readings += driver.feed(channel.key, packet, NOW)
    assert all(reading.text for reading in readings)
    return "read frames" if readings else "compiled"

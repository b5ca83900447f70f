"""The walls between the rooms hold: a forbidden import or call, planted in a copy of the tree, is refused."""

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

from support.purity import impure_calls
from support.rooms import ROOT, circle, room_imports

# Pairs of rooms of which one imports the other; 153 before the rooms were laid out anew. The reports, a room of their
# own, made it 93: they are written by the command line, from rows of the store, causes of the diagnosis and nouns. The
# seal made it 97: the store seals, a report carries the seal, a command shows it. Two more for the report by a key: the
# station, which has the diagnosis, reads its record, and the notebook asks it for the file. Stickers and the restock
# list read the labels of parts. The messages of the broker and the exports share SenML's names and units.
LIMIT_OF_PAIRS = 102


class Plant(NamedTuple):
    """One line added at the end of a file, and the name of the wall that must refuse it."""

    file: str
    line: str
    wall: str


PLANTS = [
    Plant("meterlink/plans/parser.py", "import pint", "Only core.units imports pint"),
    Plant("meterlink/settings.py", "import sqlite3", "Only store imports SQLite"),
    Plant("meterlink/settings.py", "import bleak", "Only ble imports bleak"),
    Plant("meterlink/publish/publisher.py", "import aiomqtt", "Only publish.mqtt_client imports an MQTT client"),
    Plant("meterlink/station/station.py", "import bumble", "Only simulators import bumble"),
    Plant("meterlink/cli/run.py", "import textual", "Only tui imports Textual"),
    Plant("meterlink/publish/senml.py", "import cbor2", "Only record writes CBOR and Parquet"),
    Plant("meterlink/link/server.py", "import click", "Only command lines import click"),
    Plant("meterlink/cli/verify.py", "import cryptography", "Only seal imports signatures"),
    Plant("meterlink/cli/report.py", "import typst", "Only record imports the typesetter"),
    Plant("meterlink/cli/sticker.py", "import segno", "Only record imports the typesetter"),
    Plant("meterlink/plans/parser.py", "import tomllib", "Only tomlfile imports tomllib"),
    Plant("meterlink/judge/limits.py", "from pathlib import Path", "Pure rooms"),
    Plant("meterlink/teach/teacher.py", "import time", "Pure rooms"),
    Plant("meterlink/settling/detector.py", "import asyncio", "Pure rooms"),
    Plant("meterlink/diagnosis/rules.py", "from importlib import resources", "Pure rooms"),
    Plant("meterlink/profiles/profile_table.py", "from meterlink.tomlfile.files import read_text_file", "Pure rooms"),
    Plant("drivers/meterlink_drivers/presented.py", "import socket", "Pure rooms"),
    Plant("meterlink/core/units.py", "from meterlink.judge import limits", "Rooms of meterlink"),
    Plant("meterlink/store/queries.py", "from meterlink.publish import senml", "Rooms of meterlink"),
    Plant("meterlink/station/views.py", "from meterlink.cli import output", "Rooms of meterlink"),
    Plant("meterlink/station/views.py", "from meterlink.notebook import files", "Rooms of meterlink"),
    Plant("meterlink/station/committer.py", "from meterlink.station import pipeline", "Stages of the station"),
    Plant("meterlink/station/view_sender.py", "from meterlink.station import pipeline", "Stages of the station"),
    Plant("meterlink/annex.py", "", "Rooms of meterlink"),  # a room that nobody gave a place
    Plant("meterlink/core/text.py", "from meterlink_tui import scene", "Packages"),
    Plant("tui/meterlink_tui/scene.py", "from meterlink.store import reader", "The dashboard"),
    Plant("meterlink/judge/limits.py", "TYPE_CHECKING = False\nif TYPE_CHECKING:\n    import sqlite3", "Only store"),
]
CALLS = [
    ("meterlink/judge/limits.py", "TEXT = open('limits.txt').read()", "open()"),
    ("meterlink/judge/drift/trend.py", "BEGIN = datetime.now(UTC)", "datetime.now()"),
    ("meterlink/profiles/profile_table.py", "def load(path):\n    return path.read_text()", "path.read_text()"),
    ("meterlink/teach/report.py", "print('taught')", "print()"),
]


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the packages and of the contracts."""
    copy = tmp_path_factory.mktemp("tree")
    for folder in ("meterlink", "drivers", "tui", "simulators"):
        shutil.copytree(ROOT / folder, copy / folder, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", copy)
    return copy


def lint_imports(tree: Path) -> tuple[int, str]:
    """Return import-linter's exit status on ``tree``, and the part of its report on broken contracts."""
    lint = Path(sys.executable).with_name("lint-imports")
    path = os.pathsep.join(str(tree / folder) for folder in (".", "drivers", "tui", "simulators"))
    done = subprocess.run(
        [lint, "--no-cache"],
        cwd=tree,
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        check=False,
    )
    return done.returncode, done.stdout.partition("Broken contracts")[2]


def test_the_tree_as_it_is_keeps_every_wall(tree: Path) -> None:
    assert lint_imports(tree) == (0, "")
    assert impure_calls(tree) == []


@pytest.mark.parametrize("plant", PLANTS, ids=lambda plant: f"{plant.file}: {plant.line.splitlines()[-1:]}")
def test_a_planted_import_is_refused(tree: Path, plant: Plant) -> None:
    file = tree / plant.file
    before = file.read_bytes() if file.exists() else None
    file.write_bytes((before or b"") + f"\n{plant.line}\n".encode())
    try:
        status, broken = lint_imports(tree)
    finally:
        if before is None:
            file.unlink()
        else:
            file.write_bytes(before)
    assert status == 1
    assert plant.wall in broken


@pytest.mark.parametrize(("file", "line", "call"), CALLS)
def test_a_planted_call_is_found(tree: Path, file: str, line: str, call: str) -> None:
    before = (tree / file).read_bytes()
    (tree / file).write_bytes(before + f"\n{line}\n".encode())
    try:
        found = impure_calls(tree)
    finally:
        (tree / file).write_bytes(before)
    assert [text.rpartition(": ")[2] for text in found if text.startswith(file)] == [call]


def test_rooms_import_each_other_seldom_and_in_no_circle() -> None:
    pairs = room_imports()
    assert len(pairs) < LIMIT_OF_PAIRS
    assert circle(pairs) == []
    assert not [pair for pair in pairs if pair[1] == "meterlink"], "the front door is for others"

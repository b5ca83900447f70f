"""The example driver package: it is built, installed in an environment of its own, tested and found there."""

import json
import re
import shutil
import site
import subprocess
import sys
import venv
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "tests" / "example_driver"
PAGE = ROOT / "meterlink" / "docs" / "drivers.md"
STEP_TIMEOUT = 100  # s; a longer step counts as hung

# The view of a user of the environment: `meterlink find` on a virtual radio with one Rowan and one other meter.
FIND = """
import asyncio, json, sys
from decimal import Decimal
from pathlib import Path
sys.path.insert(0, "tests")
from rowan import RowanEncoder, Steady
from meterlink.cli.find import FindOptions, find
from meterlink.driver_api import Quantity
from meterlink_simulators.encoders.presented import PresentedEncoder
from meterlink_simulators.air import Air
from meterlink_simulators.display import DisplayState
from meterlink_simulators.virtual_time import run_in_virtual_time

async def run_find():
    async with Air() as air:
        for encoder in (RowanEncoder(), PresentedEncoder()):
            await air.add_meter(Steady(DisplayState(Quantity.CAPACITANCE, Decimal("4.98"), "µF")), encoder=encoder)
        view, _ = await find(
            Path("data"), FindOptions(), scanner_backend=air.scanner_backend, client_backend=air.client_backend
        )
        return view

Path("data").mkdir(exist_ok=True)
print(json.dumps(run_in_virtual_time(run_find())))
"""
BROKEN = "import a_library_nobody_has\n"


@dataclass(frozen=True)
class Environment:
    """A virtual environment with access to the project, and a folder with the example's source."""

    python: Path
    source: Path

    def run(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [self.python, *arguments],
            cwd=self.source,
            capture_output=True,
            text=True,
            timeout=STEP_TIMEOUT,
            check=False,
        )

    def install(self, source: Path) -> None:
        """Build a wheel and install it, without a package index."""
        built = source / "dist"
        self._pip("wheel", "--no-deps", "--no-build-isolation", "--no-index", "-w", str(built), str(source))
        (wheel,) = built.glob("*.whl")
        self._pip("--python", str(self.python), "install", "--no-deps", "--no-index", str(wheel))

    def _pip(self, *arguments: str) -> None:
        pip = [sys.executable, "-m", "pip", "--disable-pip-version-check"]
        done = subprocess.run([*pip, *arguments], capture_output=True, text=True, timeout=STEP_TIMEOUT, check=False)
        assert done.returncode == 0, done.stdout + done.stderr

    def find(self) -> dict[str, list[dict[str, object]]]:
        done = self.run("-c", FIND)
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)  # type: ignore[no-any-return]


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory) -> Environment:
    folder = tmp_path_factory.mktemp("example")
    source = folder / "rowan-driver"
    shutil.copytree(EXAMPLE, source, ignore=shutil.ignore_patterns("__pycache__", "/conftest.py"))
    (source / "conftest.py").unlink()  # it is for this repository's test run
    venv.create(folder / "venv", with_pip=False, symlinks=sys.platform != "win32")
    python = folder / "venv" / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")
    environment = Environment(python, source)
    packages = Path(environment.run("-c", "import sysconfig; print(sysconfig.get_path('purelib'))").stdout.strip())
    # The project and its dependencies stay where they are installed now, editable or not.
    lines = "".join(f"import site; site.addsitedir({path!r})\n" for path in site.getsitepackages())
    (packages / "project.pth").write_text(lines)
    environment.install(source)
    return environment


def test_its_own_tests_pass_where_it_is_installed(environment: Environment) -> None:
    done = environment.run("-m", "pytest", "-q", "-p", "no:cacheprovider")
    assert done.returncode == 0, done.stdout + done.stderr
    assert re.search(r"\b5 passed\b", done.stdout)


def test_it_is_found_and_a_broken_one_beside_it_is_named_and_isolated(environment: Environment) -> None:
    view = environment.find()
    fits = {device["driver"]: (device["fit"], device["score"]) for device in view["devices"]}
    assert fits["rowan"] == ("certain", 1.0)
    assert view["broken_drivers"] == []

    broken = environment.source.parent / "broken"
    shutil.copytree(environment.source, broken, ignore=shutil.ignore_patterns("dist"))
    (broken / "src" / "rowan_driver").rename(broken / "src" / "broken_driver")
    (broken / "src" / "broken_driver" / "__init__.py").write_text(BROKEN)
    text = (broken / "pyproject.toml").read_text().replace("rowan", "broken").replace("ROWAN", "BROKEN")
    (broken / "pyproject.toml").write_text(text)
    environment.install(broken)

    view = environment.find()
    fits = {device["driver"]: (device["fit"], device["score"]) for device in view["devices"]}
    assert fits["rowan"] == ("certain", 1.0)
    (message,) = view["broken_drivers"]
    assert message == ("broken of broken-driver: ModuleNotFoundError: No module named 'a_library_nobody_has'")


def test_the_page_shows_the_example_as_it_is() -> None:
    """Every block of the page is, word for word, in one of the example's files."""
    files = [path.read_text(encoding="utf-8") for path in EXAMPLE.rglob("*") if path.suffix in {".py", ".toml"}]
    blocks = re.findall(r"^```(?:python)?\n(.*?)^```$", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    assert len(blocks) >= 4
    for block in blocks:
        assert any(block in file for file in files), block

"""The table of faults is made of the report that pytest writes."""

import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

from support import fault_marks
from support.fault_table import gathered, table

CASES = """
import pytest

@pytest.mark.fault("link-lost")
@pytest.mark.parametrize("seconds", [0.25, 12.0])
def test_one(seconds, fault_times):
    fault_times.noticed(seconds)
    fault_times.recovered(3)

@pytest.mark.fault("link-lost", "power-cut")
def test_two():
    pytest.skip("no guest")

@pytest.mark.fault("power-cut")
def test_three():
    assert False

def test_four():
    pass
"""


def test_marks_times_and_outcomes_reach_the_table(tmp_path: Path) -> None:
    (tmp_path / "conftest.py").write_text((fault_marks.TESTS / "conftest.py").read_text("utf-8"), "utf-8")
    (tmp_path / "test_cases.py").write_text(CASES, "utf-8")
    (tmp_path / "pytest.ini").write_text(f"[pytest]\npythonpath = {fault_marks.TESTS}\n", "utf-8")
    report = tmp_path / "report.xml"
    command = (sys.executable, "-m", "pytest", "-q", "-m", "fault", "--junit-xml", report, "-o", "junit_family=xunit1")
    run = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert "1 failed, 2 passed, 1 skipped, 1 deselected" in run.stdout
    records = gathered(ET.parse(report).iter("testcase"))  # noqa: S314  # made by this test
    assert records["link-lost"].tests == {"test_cases.py": {"test_one", "test_two"}}
    lines = list(table(records))
    [lost] = [line for line in lines if line.startswith("| link-lost ")]
    assert lost.endswith(" | 2 passed, 1 skipped | 0.2 to 12 | 3 |")
    [cut] = [line for line in lines if line.startswith("| power-cut ")]
    assert cut.endswith(" | 1 failed, 1 skipped | – | – |")
    [busy] = [line for line in lines if line.startswith("| scan-busy ")]
    assert busy.endswith(" | not run | – | – |")
    assert "- **link-lost**: `test_cases.py`: `test_one`, `test_two`" in lines

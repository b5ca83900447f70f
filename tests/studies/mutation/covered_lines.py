"""A plugin of pytest: which tests run which lines of the changed rooms, and how long each test takes.

``pytest -p studies.mutation.covered_lines`` writes the JSON file that ``MUTATION_COVERAGE`` names:
``{"tests": {test: seconds}, "lines": {file: {line: [test, ...]}}}``. A line that only an import runs has no test. A
test that fails while it is measured is left out: it could notice nothing.
"""

import json
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from coverage import Coverage

_COVERAGE = Coverage(data_file=None, include=["meterlink/judge/*", "meterlink/settling/*", "meterlink/store/*"])
_SECONDS: dict[str, float] = {}
_FAILED: set[str] = set()


def pytest_sessionstart() -> None:
    _COVERAGE.start()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    _COVERAGE.switch_context(item.nodeid)
    result = yield
    _COVERAGE.switch_context("")
    return result


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    if report.failed:
        _FAILED.add(report.nodeid)
    _SECONDS[report.nodeid] = _SECONDS.get(report.nodeid, 0.0) + report.duration


def pytest_sessionfinish() -> None:
    _COVERAGE.stop()
    data = _COVERAGE.get_data()
    lines = {
        str(Path(file).relative_to(Path.cwd())): {
            line: sorted(set(tests) - {""} - _FAILED) for line, tests in data.contexts_by_lineno(file).items()
        }
        for file in data.measured_files()
    }
    document = {"tests": {test: time for test, time in _SECONDS.items() if test not in _FAILED}, "lines": lines}
    Path(os.environ["MUTATION_COVERAGE"]).write_text(json.dumps(document), encoding="utf-8")

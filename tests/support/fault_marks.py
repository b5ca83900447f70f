"""The marks of the tests that inject a fault, and the times that such a test records."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]
MARKER = "fault(*keys): the test injects these faults of support.fault_list."


class FaultTimes:
    """The times of a test, in s of the clock that it runs on: mostly a virtual one."""

    def __init__(self, properties: list[tuple[str, object]]) -> None:
        self._properties = properties

    def noticed(self, seconds: float) -> None:
        """Record the time from the fault until a person or a program is told."""
        self._properties.append(("noticed", f"{seconds:.1f}"))

    def recovered(self, seconds: float) -> None:
        """Record the time from the end of the fault until everything works again."""
        self._properties.append(("recovered", f"{seconds:.1f}"))


def record_marks(items: list[pytest.Item]) -> None:
    """Put the faults of each test into its report."""
    for item in items:
        item.user_properties += [("fault", key) for mark in item.iter_markers("fault") for key in mark.args]


def marked_tests() -> Iterator[tuple[str, str]]:
    """Yield the fault and ``file::function`` of each mark, read from the source: quicker than a collection."""
    for file in sorted(TESTS.rglob("test_*.py")):
        source = file.read_text(encoding="utf-8")
        if "pytest.mark.fault(" not in source:
            continue
        for node in ast.walk(ast.parse(source)):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                for key in _keys(node):
                    yield key, f"{file.relative_to(TESTS)}::{node.name}"


def _keys(function: ast.FunctionDef | ast.AsyncFunctionDef) -> Iterator[str]:
    for decorator in function.decorator_list:
        if isinstance(decorator, ast.Call) and ast.unparse(decorator.func) == "pytest.mark.fault":
            yield from (ast.literal_eval(argument) for argument in decorator.args)

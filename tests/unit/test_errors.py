"""The tree of errors is the one drawn in its docstring, and each error keeps its exit status and its one line."""

import inspect
import pickle
import re

import pytest

from meterlink.core import errors
from meterlink.core.errors import InputError, MeterlinkError

CLASSES = [
    found
    for _, found in inspect.getmembers(errors, inspect.isclass)
    if issubclass(found, MeterlinkError) and found.__module__ == errors.__name__
]


def drawn_tree() -> dict[str, str]:
    """Return ``{class: the class above it}`` of the drawing; the root is below an empty name."""
    above: dict[int, str] = {-1: ""}
    tree = {}
    for line in (errors.__doc__ or "").splitlines():
        if found := re.match(r" {4}((?:[│├└] *─* )*)(\w+Error)\b", line):
            depth = len(found[1]) // 4
            tree[found[2]] = above[depth - 1]
            above[depth] = found[2]
    return tree


def test_the_drawing_shows_every_class_below_its_own() -> None:
    bases = {found.__name__: found.__bases__[0].__name__ for found in CLASSES}
    assert len(bases) > 15
    assert drawn_tree() == bases | {"MeterlinkError": ""}


@pytest.mark.parametrize("error", CLASSES, ids=lambda error: error.__name__)
def test_an_error_keeps_its_status_and_its_texts(error: type[MeterlinkError]) -> None:
    raised = error("The disk is full.", "Free some space.")
    assert raised.exit_code == (2 if issubclass(error, InputError) else 1)
    assert str(raised) == "The disk is full. Free some space."
    again = pickle.loads(pickle.dumps(raised))  # noqa: S301  # our own bytes
    assert (type(again), again.message, again.remedy) == (error, "The disk is full.", "Free some space.")
    assert error.__doc__

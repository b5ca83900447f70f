"""Positions of tables and keys in a TOML file, with hostile strings and comments."""

import contextlib
import json
import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.tomlfile.positions import find_positions

# Text in a string or a comment that looks like TOML.
TRICKY = st.lists(
    st.sampled_from(["[[point]]", "low = 1", "=", "[", "]", "{", "}", "#", ",", '"', "'", '"""', "'''", "\\", "µ"]),
    max_size=6,
).map("".join)


def basic(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def literal(text: str) -> str:
    return "'" + text.replace("'", "") + "'"


def long_basic(text: str) -> str:
    return '"""' + text.replace("\\", "\\\\").replace('"""', '""\\"') + '"""'


def long_literal(text: str) -> str:
    return "'''" + text.replace("'''", "") + "'''"


Path = tuple[str | int, ...]


class Draft:
    """A growing TOML text, and the expected positions of its parts."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.newline = draw(st.sampled_from(["\n", "\r\n"]))
        self.text = ""
        self.expected: dict[Path, tuple[int, int]] = {}

    def position(self) -> tuple[int, int]:
        return self.text.count("\n") + 1, len(self.text.rsplit("\n", 1)[-1]) + 1

    def write(self, text: str) -> None:
        self.text += text

    def blanks(self) -> None:
        for line in self.draw(st.lists(TRICKY, max_size=2)):
            self.write(f"  # {line}{self.newline}")
        self.write(self.draw(st.sampled_from(["", " ", "\t"])))

    def value(self, path: Path, depth: int = 0) -> None:
        match self.draw(st.sampled_from(["scalar", "scalar", "array", "table"])) if depth < 2 else "scalar":
            case "array":
                self.array(path, depth)
            case "table":
                self.table(path, depth)
            case _:
                self.scalar()

    def scalar(self) -> None:
        lines = st.lists(TRICKY, min_size=1, max_size=3).map(self.newline.join)
        plain = st.sampled_from(["-1.5e3", "true", "2026-07-01 13:00:00"])
        strings = [TRICKY.map(basic), TRICKY.map(literal), lines.map(long_basic), lines.map(long_literal)]
        self.write(self.draw(st.one_of(plain, *strings)))

    def array(self, path: Path, depth: int) -> None:
        self.write("[")
        for number in range(self.draw(st.integers(0, 3))):
            self.write(self.newline)
            self.blanks()
            self.expected[*path, number] = self.position()
            self.value((*path, number), depth + 1)
            self.write(" ,")
        self.write("]")

    def table(self, path: Path, depth: int) -> None:
        self.write("{ ")
        for number in range(self.draw(st.integers(0, 2))):
            self.write(", " if number else "")
            self.expected[*path, f"i{number}"] = self.position()
            self.write(f"i{number}=")
            self.value((*path, f"i{number}"), depth + 1)
        self.write(" }")

    def pairs(self, table: Path) -> None:
        for number in range(self.draw(st.integers(0, 3))):
            self.blanks()
            name = self.draw(st.sampled_from(["low", "a = [[b]]", 'it"s', "µ#"])) + str(number)
            spelled = name if name.startswith("low") else basic(name)
            path = (*table, name)
            self.expected[path] = self.position()
            if self.draw(st.booleans()):
                spelled, path = f"{spelled} . rated", (*path, "rated")
                self.expected[path] = self.position()
            self.write(f"{spelled} = ")
            self.value(path)
            self.write(self.newline)

    def headed(self, number: int) -> None:
        """Write a header and its pairs: a further [[point]], a table below the last point, or a separate table."""
        self.blanks()
        points = sum(path[0] == "point" and len(path) == 2 for path in self.expected)
        path, spellings = self.draw(
            st.sampled_from(
                [
                    (("point", points), ["[[point]]", "[[ point ]] # [[point]]", '[["point"]]', "[['point']]"]),
                    ((f"table{number}",), [f"[ table{number} ]"]),
                    *([(("point", points - 1, f"below{number}"), [f'[point."below{number}"]'])] if points else []),
                ]
            )
        )
        if path[0] == "point":
            self.expected.setdefault(("point",), self.position())
        self.expected[path] = self.position()
        self.write(self.draw(st.sampled_from(spellings)) + self.newline)
        self.pairs(path)


@st.composite
def documents(draw: st.DrawFn) -> tuple[str, dict[Path, tuple[int, int]]]:
    draft = Draft(draw)
    draft.pairs(())
    for number in range(draw(st.integers(0, 4))):
        draft.headed(number)
    return draft.text, draft.expected


def paths(value: Any, path: Path = ()) -> set[Path]:
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    result = {path} if path else set()
    for key, item in items:
        result |= paths(item, (*path, key))
    return result


@given(documents())
def test_every_path_has_its_position(document: tuple[str, dict[Path, tuple[int, int]]]) -> None:
    text, expected = document
    positions = find_positions(text)
    assert positions == expected
    assert set(positions) == paths(tomllib.loads(text))


def test_positions_counted_by_hand() -> None:
    text = 'name = "x" # [[point]]\n\n  [[point]]\nwhy = """\n[[point]]\nlow = 1"""\n\tlow = "1"\n'
    text += "[[point]]\na.b = [1, {c=2}]\n"
    assert find_positions(text) == {
        ("name",): (1, 1),
        ("point",): (3, 3),
        ("point", 0): (3, 3),
        ("point", 0, "why"): (4, 1),
        ("point", 0, "low"): (7, 2),
        ("point", 1): (8, 1),
        ("point", 1, "a"): (9, 1),
        ("point", 1, "a", "b"): (9, 1),
        ("point", 1, "a", "b", 0): (9, 8),
        ("point", 1, "a", "b", 1): (9, 11),
        ("point", 1, "a", "b", 1, "c"): (9, 12),
    }


@pytest.mark.parametrize("text", ["", "\n", "# nothing", "\r\n# [[point]]\r\n"])
def test_a_text_without_keys(text: str) -> None:
    assert find_positions(text) == {}


@given(st.text(alphabet="ab=[]{}#,\"' \n\\.", max_size=40))
def test_invalid_toml_raises_and_never_hangs(text: str) -> None:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        with contextlib.suppress(ValueError, IndexError):
            find_positions(text)
    else:
        assert set(find_positions(text)) == paths(tomllib.loads(text))

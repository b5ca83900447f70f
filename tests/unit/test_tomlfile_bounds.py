"""The bounds on TOML text: an excess is found before it is parsed, in little memory and in one scan."""

import re
import tomllib
import tracemalloc

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from meterlink.tomlfile.bounds import MOST_KEY_PARTS, MOST_NESTING, find_excess
from meterlink.tomlfile.documents import parse_table
from meterlink.tomlfile.problems import Problem

MANY_PARTS, DEEP = f"more than {MOST_KEY_PARTS} parts", f"more than {MOST_NESTING} deep"


@pytest.mark.parametrize(
    "text",
    [
        ".".join("a" * 10_000) + " = 1",
        "[" + ".".join("a" * 10_000) + "]",
        "a = { " + ".".join(["''"] * 8_000) + " = 1 }",
        " . ".join(['"a\\".b"'] * 2_000) + " = 1",
    ],
)
def test_a_key_of_many_parts_is_refused_in_little_memory(text: str) -> None:
    tracemalloc.start()
    try:
        problem = parse_table(text)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert isinstance(problem, Problem)
    assert MANY_PARTS in problem.message
    assert peak < 20_000_000  # bytes; tomllib alone takes hundreds of megabytes


@pytest.mark.parametrize("opening", ["[", "{ a = ", "[[", "[{ a = "])
def test_deep_brackets_are_refused(opening: str) -> None:
    problem = parse_table("a = " + opening * 100_000)
    assert isinstance(problem, Problem)
    assert DEEP in problem.message
    assert problem.position.line == 1


def test_the_position_of_an_excess() -> None:
    key = ".".join("k" * (MOST_KEY_PARTS + 1))
    for text, position in (
        (f"a = 1\n  {key} = 2", (2, 3)),
        (f"a = 1\nb = [{'[' * MOST_NESTING}", (2, 5 + MOST_NESTING)),
    ):
        problem = find_excess(text)
        assert problem is not None
        assert problem[:1] == (position,)


@pytest.mark.parametrize(
    "text",
    [
        ".".join("k" * MOST_KEY_PARTS) + " = 1",
        f"a = {'[' * MOST_NESTING}{']' * MOST_NESTING}",
        f'a = "{"[" * 99}"',
        f"a = '{'[' * 99}'",
        f'a = """\n{"[" * 99}\n"""',
        f"a = '''\n{'{' * 99}\n'''",
        f"# {'[' * 99}\na = 1 # {'.'.join('k' * 99)}",
        f'a = "\\"{"[" * 99}"',
        f'a = """\\"""{"[" * 99}"""',
        f'a = "{".".join("k" * 99)}"\n"{".".join("k" * 99)}" = 1',
        f'a = """"{"[" * 99}""""',
        "a = [\n" + "[1],\n" * 99 + "]",
    ],
)
def test_text_within_the_bounds(text: str) -> None:
    assert find_excess(text) is None
    assert tomllib.loads(text)


@pytest.mark.parametrize(
    "before",
    [
        '"""x""""',
        '"""x"""""',
        '""""x"""',
        '""""""',
        '""',
        "''",
        "''''''",
        "'''x''''",
        "'''x'''''",
        '"\\\\"',
        "'\\'",
        '"""\\\\"""',
        "'''\\'''",
        '"#"',
        "'\"'",
        '"\'"',
        "1979-05-27T07:32:00",
        "+1.5e-3",
    ],
)
def test_no_value_hides_brackets_behind_it(before: str) -> None:
    text = f'a = [{before}, {"[" * MOST_NESTING}{"]" * MOST_NESTING}, "y"]'
    assert tomllib.loads(text)
    problem = find_excess(text)
    assert problem is not None
    assert DEEP in problem.message


# Each has up to a million places where a token seems to begin: a scan to the end from each would take an hour.
@pytest.mark.parametrize(
    "text",
    [
        '"' + '\\"' * 500_000,
        '"""\n' + '\\"""\n' * 200_000,
        '"""\n' + '\\"""\n' * 200_000 + "\\",
        "'''\n" + "''\n" * 300_000,
        "'" * 1_000_001,
        " " * 1_000_000,
        "=" * 1_000_000,
        "a " * 500_000,
        "a" + " " * 1_000_000,
        "a" + " . " * 300_000,
        "a." * 10 + '"' + '\\"' * 400_000,
    ],
    ids=range(11),
)
def test_a_long_text_is_scanned_once(text: str) -> None:
    assert find_excess(text) is None


# Mostly characters that mean something to TOML.
_CONTENTS = st.text("\"'[]{}#=.,\\ab\n \té", max_size=12)


def _multi_line_literal(content: str) -> str:
    return "'''" + re.sub("'{3,}", "''", content) + "'''"


def _multi_line_basic(content: str) -> str:
    return '"""' + re.sub('"{3,}', '""', content.replace("\\", "\\\\")) + '"""'


def _literal(content: str) -> str:
    return "'" + re.sub("['\n]", "", content) + "'"


def _basic(content: str) -> str:
    return '"' + content.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "") + '"'


_WRITERS = st.sampled_from([_multi_line_literal, _multi_line_basic, _literal, _basic])
_STRINGS = st.builds(lambda write, content: write(content), _WRITERS, _CONTENTS)
_SCALARS = _STRINGS | st.sampled_from(["1", "-1.5e3", "true", "1979-05-27T07:32:00Z", "07:32:00"])
_GAPS = st.sampled_from(["", " ", "\n", " # ]}\"'[[\n"])


@st.composite
def _arrays(draw: st.DrawFn, items: st.SearchStrategy[str]) -> str:
    gap = draw(_GAPS)
    return "[" + gap + f"{gap},".join(draw(st.lists(items, min_size=1, max_size=3))) + gap + "]"


_VALUES = st.recursive(
    _SCALARS,
    lambda items: _arrays(items) | st.builds(lambda key, item: f"{{ {_basic(key)} = {item} }}", _CONTENTS, items),
    max_leaves=8,
)


@st.composite
def _nested_values(draw: st.DrawFn) -> str:
    """Return a value in about as many brackets as the bound allows."""
    value, depth = draw(_VALUES), draw(st.integers(0, MOST_NESTING + 2))
    for bracket in draw(st.lists(st.sampled_from("[{"), min_size=depth, max_size=depth)):
        aside = draw(_STRINGS)
        value = f"[{aside}, {value}]" if bracket == "[" else f"{{ {draw(_CONTENTS.map(_basic))} = {value} }}"
    return value


def _depth(value: object) -> int:
    if isinstance(value, dict):
        return 1 + max(map(_depth, value.values()), default=0)
    return 1 + max(map(_depth, value), default=0) if isinstance(value, list) else 0


@given(st.lists(_nested_values(), min_size=1, max_size=3))
@example(['["""x"""", ' + "[" * MOST_NESTING + "]" * MOST_NESTING + ', "y"]'])
@example(["[" * MOST_NESTING + "]" * MOST_NESTING])
def test_the_bound_on_nesting_is_exact(values: list[str]) -> None:
    text = "\n".join(f"k{number} = {value}" for number, value in enumerate(values))
    depth = max(map(_depth, tomllib.loads(text).values()))
    assert (find_excess(text) is not None) == (depth > MOST_NESTING)


@given(st.lists(st.sampled_from(["a", '"a.b"', "'c.d'", '"\\""', '"\'"', "'\"'"]), min_size=1, max_size=20))
def test_the_bound_on_parts_is_exact(parts: list[str]) -> None:
    for separator in (".", " .\t"):
        text = f"# '\n{separator.join(parts)} = 1"
        assert tomllib.loads(text)
        assert (find_excess(text) is not None) == (len(parts) > MOST_KEY_PARTS)


@given(st.text("\"'[]{}#=.,\\a\n ", max_size=60))
def test_any_text_gives_a_table_or_a_problem(text: str) -> None:
    assert isinstance(parse_table(text), dict | Problem)

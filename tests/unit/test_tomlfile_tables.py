"""Declared tables: each type of value right and wrong, in the reader and in the JSON Schema; checks; variants."""

import json
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.errors import InputError, PlanError
from meterlink.tomlfile.documents import check_document, document_schema
from meterlink.tomlfile.field_types import (
    Boolean,
    Choice,
    Constant,
    Converted,
    Either,
    Entries,
    FieldType,
    Integer,
    ListOf,
    Number,
    Parsed,
    Text,
    Wrong,
)
from meterlink.tomlfile.problems import PathProblem
from meterlink.tomlfile.tables import Computed, FieldError, Key, Table, Tables, Variants, VariantsByKey


class Colour(StrEnum):
    RED = "red"
    GREEN = "green"
    GREY = "grey"


def parse_even(text: str) -> int:
    if not text.isdigit() or int(text) % 2:
        raise InputError(f"{text!r} is not even.", 'Write "4".')
    return int(text)


def half(number: int) -> int:
    if number % 2:
        raise InputError(f"{number} is odd.", "Double it.")
    return number // 2


def read(field: FieldType[Any], toml: str) -> tuple[Any, list[str]]:
    """Return what ``field`` reads from the value ``toml`` under ``k``, and its problems: ``path: message remedy``."""
    problems: list[PathProblem] = []
    value = field.read(tomllib.loads(f"k = {toml}", parse_float=Decimal)["k"], ("k",), problems)
    return value, [
        f"{'.'.join(map(str, problem.path))}: {problem.message} {problem.remedy}".rstrip() for problem in problems
    ]


def schema_accepts(field: FieldType[Any], toml: str) -> bool:
    jsonschema.Draft202012Validator.check_schema(field.schema())
    return bool(jsonschema.Draft202012Validator(field.schema()).is_valid(tomllib.loads(f"k = {toml}")["k"]))


TEXT = Text(5)
KEY = Text(9, pattern="[a-z]+", wanted="Use letters.")
RAW = Text(9, clean=False)
EVEN = Parsed(parse_even, '"4"', pattern="^[0-9]*[02468]$", longest=9)
POINT = Table(lambda x, y: (x, y), Key("x", Integer(0, 9)), Key("y", Integer(0, 9), 5))
WORDS = ListOf(TEXT, 1, 2, distinct=True)
NUMBERED = Entries(lambda word: int(word) if word.isdigit() else None, "[0-9]+", TEXT, '1 = "…"')

RIGHT: list[tuple[FieldType[Any], str, Any]] = [
    (TEXT, '"abc"', "abc"),
    (TEXT, '"a\\u200bb"', "ab"),
    (TEXT, "'''a\n b'''", "a b"),
    (KEY, '"abc"', "abc"),
    (RAW, '""', ""),
    (RAW, '"a  b"', "a  b"),
    (EVEN, '"42"', 42),
    (Integer(-1, 3), "-1", -1),
    (Integer(-1, 3), "3", 3),
    (Number("0", "2.5"), "2.50", Decimal("2.50")),
    (Number("0", "2.5"), "0", Decimal(0)),
    (Number("-1", "1", zero=False), "0.1", Decimal("0.1")),
    (Boolean(), "true", True),
    (Boolean(), "false", False),
    (Choice(Colour), '"red"', Colour.RED),
    (Choice(("one", "two")), '"two"', "two"),
    (Constant("on", "Write on."), '"on"', "on"),
    (Constant(1, "Write 1."), "1", 1),
    (Converted(Integer(0, 9), half), "8", 4),
    (WORDS, '["a"]', ("a",)),
    (WORDS, '["a", "b"]', ("a", "b")),
    (ListOf(Integer(0, 9), 0, 1), "[]", ()),
    (NUMBERED, '{ 1 = "a", 22 = "b" }', ((1, "a"), (22, "b"))),
    (NUMBERED, "{}", ()),
    (Either(Integer(0, 9), TEXT), "7", 7),
    (Either(Integer(0, 9), TEXT), '"a"', "a"),
    (POINT, "{ x = 1 }", (1, 5)),
    (POINT, "{ y = 2, x = 1 }", (1, 2)),
    (Tables(POINT, 0, 2), "[{ x = 1 }, { x = 2, y = 3 }]", ((1, 5), (2, 3))),
    (Tables(POINT, 0, 2), "[]", ()),
]

# (type, TOML, problems, whether its schema refuses it too)
WRONG: list[tuple[FieldType[Any], str, list[str] | None, bool]] = [
    (TEXT, "3", ['k: 3 is not text. Write k = "…".'], True),
    (TEXT, '"abcdef"', ["k: 'abcdef' is longer than 5 characters. Shorten it."], True),
    (TEXT, '""', ['k: it is empty. Write k = "…".'], True),
    (TEXT, '" \\n"', ['k: it is empty. Write k = "…".'], True),
    (TEXT, '"\\u200b"', ['k: it is empty. Write k = "…".'], False),
    (KEY, '"a1"', ["k: 'a1' cannot be used. Use letters."], True),
    (RAW, '"abcdefghij"', ["k: 'abcdefghij' is longer than 9 characters. Shorten it."], True),
    (EVEN, '"3"', ["k: '3' is not even. Write \"4\"."], True),
    (EVEN, '"2222222222"', ["k: '2222222222' is longer than 9 characters. Write k = \"4\"."], True),
    (Integer(-1, 3), "4", ["k: 4 is not from -1 to 3. Write k = a whole number from -1 to 3."], True),
    (Integer(-1, 3), "true", ["k: true is not a whole number. Write k = a whole number from -1 to 3."], True),
    (Integer(-1, 3), "1.5", ["k: 1.5 is not a whole number. Write k = a whole number from -1 to 3."], True),
    (Number("0", "2.5"), "2.51", ["k: 2.51 cannot be used. Write k = a number from 0 to 2.5."], True),
    (Number("0", "2.5"), "nan", ["k: nan cannot be used. Write k = a number from 0 to 2.5."], False),
    (Number("0", "2.5"), "inf", ["k: infinity cannot be used. Write k = a number from 0 to 2.5."], True),
    (Number("0", "2.5"), "1.1234567890123456789", None, False),
    (Number("0", "2.5"), "1e-30", None, False),
    (Number("0", "2.5"), "false", ["k: false is not a number. Write k = a number from 0 to 2.5."], True),
    (Number("-1", "1", zero=False), "0", ["k: 0 cannot be used. Write k = a number from -1 to 1, not 0."], True),
    (Boolean(), "1", ["k: 1 is not true or false. Write k = true."], True),
    (Choice(Colour, without=(Colour.GREY,)), '"grey"', ["k: 'grey' is not known. Use one of: red, green."], True),
    (Choice(Colour), "1", ["k: 1 is not text. Use one of: red, green, grey."], True),
    (Constant("on", "Write on."), '"off"', ["k: 'off' is not \"on\". Write on."], True),
    (Constant(1, "Write 1."), "2", ["k: 2 is not 1. Write 1."], True),
    (Converted(Integer(0, 9), half), "7", ["k: 7 is odd. Double it."], False),
    (Converted(Integer(0, 9), half), "11", ["k: 11 is not from 0 to 9. Write k = a whole number from 0 to 9."], True),
    (WORDS, '"a"', ["k: 'a' is not a list. Write k = [\"…\"]."], True),
    (WORDS, "[]", ['k: it has no items, not 1 to 2. Write k = ["…"].'], True),
    (WORDS, '["a", "b", "c"]', ['k: it has 3 items, not 1 to 2. Write k = ["…"].'], True),
    (WORDS, '["a", "a"]', ["k.1: 'a' is listed twice. Remove one."], True),
    (WORDS, "[1, 2]", ['k.0: 1 is not text. Write it as "…".', 'k.1: 2 is not text. Write it as "…".'], True),
    (NUMBERED, "{ a = 'x' }", ["k.a: 'a' is not a key here. Write k = { 1 = \"…\" }."], True),
    (NUMBERED, "{ 1 = 2, 2 = 'abcdef' }", None, True),
    (Entries(lambda _: 1, ".*", TEXT, "…"), "{ a = 'x', b = 'y' }", ["k.b: 'b' is listed twice. Remove one."], False),
    (Either(Integer(0, 9), TEXT), "true", None, True),
    (Either(Integer(0, 9), TEXT), "11", ["k: 11 is not from 0 to 9. Write k = a whole number from 0 to 9."], True),
    (POINT, "1", ["k: 1 is not a table. Write it as [k]."], True),
    (POINT, "{}", ["k: x is missing. Write x = a whole number from 0 to 9."], True),
    (POINT, "{ x = 10, y = 'a' }", None, True),
    (Tables(POINT, 1, 1), "[]", ["k: it has no tables, not 1 to 1. Write each as [[k]]."], True),
    (Tables(POINT, 1, 1), "[1]", ["k.0: 1 is not a table. Write it as [[k]]."], True),
    (Tables(POINT, 1, 1), "{ x = 1 }", ["k: {'x': 1} is not a list of tables. Write each as [[k]]."], True),
]


@pytest.mark.parametrize(("field", "toml", "value"), RIGHT)
def test_a_right_value(field: FieldType[Any], toml: str, value: Any) -> None:
    assert read(field, toml) == (value, [])
    assert type(read(field, toml)[0]) is type(value)
    assert schema_accepts(field, toml)


@pytest.mark.parametrize("field", [Integer(-1, 3), Number("0", "2.5")])
def test_a_number_of_more_digits_than_python_writes_is_a_wrong_value(field: FieldType[Any]) -> None:
    _, (problem,) = read(field, f"0x{'f' * 4_000}")
    assert problem.startswith("k: a number of thousands of digits")


@pytest.mark.parametrize(("field", "toml", "problems", "in_schema"), WRONG)
def test_a_wrong_value(field: FieldType[Any], toml: str, problems: list[str] | None, in_schema: bool) -> None:
    value, found = read(field, toml)
    assert isinstance(value, Wrong)
    assert found
    assert problems is None or found == problems
    assert schema_accepts(field, toml) is not in_schema


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-20, 20) | st.floats() | st.text("ab1 é\u200b", max_size=7),
    lambda items: st.lists(items, max_size=3) | st.dictionaries(st.sampled_from("xyk1"), items, max_size=3),
    max_leaves=5,
)


@given(st.sampled_from([field for field, _, _ in RIGHT]), JSON_VALUES)
def test_the_schema_refuses_nothing_that_the_reader_accepts(field: FieldType[Any], value: Any) -> None:
    problems: list[PathProblem] = []
    exact = json.loads(json.dumps(value), parse_float=Decimal)
    read = field.read(exact, ("k",), problems)
    assert isinstance(read, Wrong) == bool(problems)
    if not problems:
        assert jsonschema.Draft202012Validator(field.schema()).is_valid(value)


# Whole tables


@dataclass(frozen=True)
class Item:
    key: str
    low: int
    high: int
    width: int
    note: str = "none"


def width(low: int, high: int) -> int:
    if low > high:
        raise InputError(f"{low} is above {high}.", "Exchange them.")
    return high - low


def check_width(width: int, key: str) -> Iterator[FieldError]:
    if width > 50:
        yield FieldError("to", f"{key} is {width} wide.", "Make it narrower.")
        yield FieldError("missing", "a key that is not given is a problem of the table.", "")
        yield FieldError(("tags", 0), "a path below the table.", "")


ITEM = Table(
    Item,
    Key("key", Text(10)),
    Key("from", Integer(0, 99), attribute="low"),
    Key("to", Integer(0, 99), attribute="high", description="The end."),
    Key("tags", ListOf(Text(10), 0, 5), ()),
    computed=(Computed("width", width, ("to", "from")),),
    checks=(check_width,),
)


def check_order(partial_items: Sequence[Item | Mapping[str, Any]], title: str) -> Iterator[FieldError]:
    for number, item in enumerate(partial_items):
        low = item.get("low") if isinstance(item, Mapping) else item.low
        if low == 13:
            yield FieldError(("item", number, "from"), f"13 is bad luck in {title}.", "")


FILE = Table(
    lambda title, items: (title, items),
    Key("title", Text(10)),
    Key("item", Tables(ITEM, 1, 9, unique=("key",)), attribute="items"),
    checks=(check_order,),
)


def problems_of(field: FieldType[Any], text: str) -> list[str]:
    return [str(problem) for problem in check_document(text, field).problems]


def test_a_right_document() -> None:
    checked = check_document('title = "t"\n[[item]]\nkey = "a"\nfrom = 3\nto = 5', FILE)
    assert checked.require("f.toml") == ("t", (Item("a", 3, 5, 2),))
    assert checked.problems == ()


def test_every_problem_of_a_document_in_its_order() -> None:
    text = """titel = "t"
[[item]]
key = "a"
from = 9
to = 3
[[item]]
key = "a"
from = 0
to = 60
tags = ["x"]
[[item]]
key = 4
from = 13
to = 14
colour = "red"
"""
    assert problems_of(FILE, text) == [
        "1:1: titel: 'titel' is not a field here. Did you mean title?",
        "5:1: item 1 (a), to: 9 is above 3. Exchange them.",
        "6:1: item 2 (a): a key that is not given is a problem of the table.",
        "7:1: item 2 (a), key: another item has the key 'a'. Give each a key of its own.",
        "9:1: item 2 (a), to: a is 60 wide. Make it narrower.",
        "10:9: item 2 (a), tags 1: a path below the table.",
        '12:1: item 3, key: 4 is not text. Write key = "…".',
        "15:1: item 3, colour: 'colour' is not a field here. Use: key, from, to, tags.",
    ]
    # The check between the items runs where the title is right; the third item is wrong, but its start is known.
    assert "13:1: item 3, from: 13 is bad luck in t." in problems_of(FILE, text.replace("titel", "title"))


def test_a_misspelled_key_is_not_also_missing() -> None:
    assert problems_of(POINT, "z = 1") == [
        "1:1: z: 'z' is not a field here. Use: x, y.",
        "1:1: x is missing. Write x = a whole number from 0 to 9.",
    ]
    assert problems_of(FILE, 'tilte = "t"') == [
        "1:1: tilte: 'tilte' is not a field here. Did you mean title?",
        "1:1: item is missing. Write each as [[item]].",
    ]


def test_an_error_of_make_is_a_problem_of_the_table() -> None:
    def make(x: int) -> int:
        raise FieldError("x", f"{x} will not do.", "Take another.")

    assert problems_of(Table(make, Key("x", Integer(0, 9))), "\nx = 1") == ["2:1: x: 1 will not do. Take another."]


def test_require_lists_the_errors_with_their_file() -> None:
    with pytest.raises(PlanError) as caught:
        check_document("title = 1\nitem = 2", FILE).require("f.toml", PlanError)
    assert str(caught.value).splitlines() == [
        'f.toml:1:1: title: 1 is not text. Write title = "…".',
        "f.toml:2:1: item: 2 is not a list of tables. Write each as [[item]].",
    ]
    many = "".join(f"k{number} = 1\n" for number in range(150))
    with pytest.raises(InputError, match=r"and 52 more\.$"):
        check_document(many, FILE).require("f.toml")


def test_a_text_that_is_not_toml_has_one_problem() -> None:
    assert problems_of(FILE, "title = ") == ["1:9: not valid TOML: Invalid value. Correct that line."]
    assert problems_of(FILE, 'title = "a"\nx y = 1')[0].startswith("2:3: not valid TOML: ")


def test_an_extended_table() -> None:
    def check_size(size: int, width: int) -> Iterator[FieldError]:
        if size > width:
            yield FieldError("size", f"{size} does not fit into {width}.", "")

    table = ITEM.extended(
        lambda key, double: (key, double),
        Key("size", Integer(0, 99), 1),
        computed=(Computed("double", lambda width: width * 2),),
        checks=(check_size,),
    )
    text = 'key = "a"\nfrom = 1\nto = 3\nsize = '
    assert check_document(text + "2", table).value == ("a", 4)
    assert problems_of(table, text + "7") == ["4:1: size: 7 does not fit into 2."]
    assert problems_of(table, text.replace("to = 3", "to = 0") + "1") == ["3:1: to: 1 is above 0. Exchange them."]


# Variants

SHAPE: Variants[Any] = Variants(
    "kind",
    {
        "circle": Table(lambda kind, radius: (kind, radius), Key("kind", Text(9)), Key("radius", Integer(1, 9))),
        "square": Table(
            lambda kind, side: (kind, side),
            Key("kind", Text(9)),
            Key("side", Integer(1, 9)),
            Key("sharp", Boolean(), None),
        ),
    },
)
ACTION: VariantsByKey[Any] = VariantsByKey(
    {
        "wait": Table(lambda wait: ("wait", wait), Key("wait", Integer(0, 9))),
        "press": Table(
            lambda press, long: ("press", press, long), Key("press", Text(9)), Key("long", Boolean(), False)
        ),
    }
)


@pytest.mark.parametrize(
    ("field", "text", "value"),
    [
        (SHAPE, 'kind = "circle"\nradius = 2', ("circle", 2)),
        (SHAPE, 'kind = "square"\nside = 3', ("square", 3)),
        (ACTION, "wait = 3", ("wait", 3)),
        (ACTION, 'press = "a"\nlong = true', ("press", "a", True)),
    ],
)
def test_a_right_variant(field: FieldType[Any], text: str, value: Any) -> None:
    assert check_document(text, field).require("f") == value
    assert jsonschema.Draft202012Validator(field.schema()).is_valid(tomllib.loads(text))


@pytest.mark.parametrize(
    ("field", "text", "problems"),
    [
        (SHAPE, 'kind = "oval"', ["1:1: kind: 'oval' is not known. Use one of: circle, square."]),
        (SHAPE, "kind = 3", ["1:1: kind: 3 is not known. Use one of: circle, square."]),
        (SHAPE, "radius = 3", ["1:1: kind is missing. Use one of: circle, square."]),
        (SHAPE, 'kindd = "circle"', ["1:1: kindd: 'kindd' is not a field here. Did you mean kind?"]),
        (
            SHAPE,
            'kind = "circle"\nside = 2\nradius = 10',
            [
                "2:1: side: 'side' is not a field here: kind is circle. Remove it, or correct kind.",
                "3:1: radius: 10 is not from 1 to 9. Write radius = a whole number from 1 to 9.",
            ],
        ),
        (ACTION, "long = true", ["1:1: it has none of the keys wait, press. Add one of them."]),
        (ACTION, 'pres = "a"', ["1:1: pres: 'pres' is not a field here. Did you mean press?"]),
        (ACTION, 'wait = 1\npress = "a"', ["2:1: press: 'press' is not a field here. Use: wait."]),
        (ACTION, "wait = 10", ["1:1: wait: 10 is not from 0 to 9. Write wait = a whole number from 0 to 9."]),
    ],
)
def test_a_wrong_variant(field: FieldType[Any], text: str, problems: list[str]) -> None:
    assert problems_of(field, text) == problems
    assert not jsonschema.Draft202012Validator(field.schema()).is_valid(tomllib.loads(text))


def test_the_schema_of_a_document() -> None:
    schema = document_schema(FILE, "Things", "A list of things.")
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert (schema["title"], schema["description"]) == ("Things", "A list of things.")
    item = schema["properties"]["item"]["items"]
    assert item["required"] == ["key", "from", "to"]
    assert item["properties"]["to"] == {"type": "integer", "minimum": 0, "maximum": 99, "description": "The end."}
    assert item["additionalProperties"] is False

"""Every declared table of the project: its functions ask for values that exist, of the types that they get."""

import importlib
import inspect
import typing
from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from types import NoneType, UnionType
from typing import Any

import jsonschema
import pytest

import meterlink
import meterlink_simulators
from meterlink.cli.judge.readings_file import READINGS
from meterlink.diagnosis.rules import RULES
from meterlink.plans import PLAN
from meterlink.plans.derived_table import DERIVED
from meterlink.tomlfile.field_types import (
    Boolean,
    Choice,
    Converted,
    Either,
    Entries,
    FieldType,
    Integer,
    ListOf,
    Number,
    Parsed,
    Text,
)
from meterlink.tomlfile.tables import REQUIRED, Computed, FieldError, Key, Table, Tables, Variants, VariantsByKey
from meterlink_simulators.scenario import SCENARIO
from meterlink_simulators.scenario_steps import STEP

SOURCES = [Path(package.__path__[0]) for package in (meterlink, meterlink_simulators)]


def tables_by_name() -> dict[str, Table[Any]]:
    """Return the tables that are declared in modules, and those within them: ``{module.NAME.key.key: table}``."""
    found: dict[str, Table[Any]] = {}
    for source in SOURCES:
        for file in sorted(source.rglob("*.py")):
            if file.parent.name != "tomlfile" and "from meterlink.tomlfile.tables import" in file.read_text("utf-8"):
                module = ".".join(file.relative_to(source.parent).with_suffix("").parts).removesuffix(".__init__")
                for name, value in vars(importlib.import_module(module)).items():
                    for path, table in walk(value, f"{module}.{name}"):
                        if table not in found.values():
                            found[path] = table
    return found


def walk(value: object, path: str) -> Iterator[tuple[str, Table[Any]]]:
    match value:
        case Table():
            yield path, value
            for key in value.keys:
                yield from walk(key.type, f"{path}.{key.name}")
        case FieldType():
            for part in vars(value).values():
                yield from walk(part, path)
        case dict():
            for word, part in value.items():
                yield from walk(part, f"{path}.{word}")
        case tuple() if not isinstance(value, Key):
            for part in value:
                yield from walk(part, path)


TABLES = tables_by_name()
EVERY_TABLE = pytest.mark.parametrize("table", TABLES.values(), ids=TABLES.keys())


def test_the_tables_are_found() -> None:
    for field in (PLAN, RULES, READINGS, SCENARIO, *DERIVED.tables.values(), *STEP.tables.values()):
        assert {table for _, table in walk(field, "")} <= set(TABLES.values())


def unknown_parameters(table: Table[Any]) -> list[str]:
    """Return the required parameters of the table's functions that name no value, and unknown keys of ``at``."""
    known, unknown = {key.value_name for key in table.keys}, []
    for computed in table.computed:
        unknown += [f"at {key}" for key in computed.at if key not in {key.name for key in table.keys}]
    names = [computed.name for computed in table.computed]
    for number, function in enumerate(table.functions):
        available = {*known, *names[:number]}  # a computed function gets the values computed before it
        for name, parameter in inspect.signature(function).parameters.items():
            optional = function is table.make and parameter.default is not parameter.empty
            if name.removeprefix("partial_") not in available and not optional:
                unknown.append(f"{function.__name__}({name})")
    return unknown


@EVERY_TABLE
def test_every_function_asks_for_values_that_exist(table: Table[Any]) -> None:
    assert unknown_parameters(table) == []


@EVERY_TABLE
def test_names_are_used_once(table: Table[Any]) -> None:
    values = [key.value_name for key in table.keys] + [computed.name for computed in table.computed]
    assert len(set(values)) == len(values)
    assert len({key.name for key in table.keys}) == len(table.keys)


@EVERY_TABLE
def test_the_schema_is_one(table: Table[Any]) -> None:
    jsonschema.Draft202012Validator.check_schema(table.schema())


# Types


SIMPLE_TYPES: dict[type[FieldType[Any]], type] = {
    Text: str, Integer: int, Number: Decimal, Boolean: bool, ListOf: tuple, Entries: tuple, Tables: tuple,
}  # fmt: skip


def produced_type(field: FieldType[Any]) -> Any:
    """Return the type of the values that ``field`` reads; Any where it is not known."""
    match field:
        case Choice():
            return type(next(iter(field._members.values())))
        case Parsed():
            return result_type(field._parse)
        case Converted():
            return result_type(field._function)
        case Table():
            return result_type(field.make)
        case Variants() | VariantsByKey():
            return union(map(produced_type, field.tables.values()))
        case Either():
            return union(map(produced_type, field._types))
        case _:
            return SIMPLE_TYPES.get(type(field), Any)


def result_type(function: Any) -> Any:
    """Return the type that a class makes or a function returns."""
    return function if isinstance(function, type) else hints_of(function).get("return", Any)


def union(types: Iterable[Any]) -> Any:
    return typing.Union[tuple(types)]  # noqa: UP007  # of computed types


def hints_of(function: Any) -> dict[str, Any]:
    maker = "__new__" if isinstance(function, type) and issubclass(function, tuple) else "__init__"
    plain = vars(function)[maker] if isinstance(function, type) else function
    try:
        return typing.get_type_hints(plain)
    except (NameError, TypeError):  # a type that is imported for the type checker alone, or a function without hints
        return {}


def fits(produced: Any, wanted: Any) -> bool:
    """Return whether a value of the type ``produced`` may be one of ``wanted``, as far as origins tell."""
    if Any in {produced, wanted} or isinstance(wanted, typing.TypeVar) or isinstance(produced, typing.TypeVar):
        return True
    if typing.get_origin(produced) in {typing.Union, UnionType}:
        return all(fits(part, wanted) for part in typing.get_args(produced))
    if typing.get_origin(wanted) in {typing.Union, UnionType}:
        return any(fits(produced, part) for part in typing.get_args(wanted))
    if typing.get_origin(wanted) is typing.Literal:
        return produced is str
    produced, wanted = (NoneType if part is None else typing.get_origin(part) or part for part in (produced, wanted))
    if not (isinstance(produced, type) and isinstance(wanted, type)):
        return True
    return issubclass(produced, wanted) or (produced is int and wanted is float)


def unfit_values(table: Table[Any]) -> list[str]:
    """Return the parameters of the table's functions that may get a value of another type."""
    produced: dict[str, list[Any]] = {}
    for key in table.keys:
        default = [] if key.default is REQUIRED else [type(key.default)]
        produced[key.value_name] = [produced_type(key.type), *default]
    produced |= {computed.name: [result_type(computed.function)] for computed in table.computed}
    unfit = []
    for function in table.functions:
        for name, wanted in hints_of(function).items():
            unfit += [
                f"{function.__name__}({name}): {part}" for part in produced.get(name, []) if not fits(part, wanted)
            ]
    return unfit


@EVERY_TABLE
def test_values_fit_the_types_of_parameters(table: Table[Any]) -> None:
    assert unfit_values(table) == []


def test_a_wrong_declaration_is_found() -> None:
    def make(size: int, name: str, other: str = "") -> None:
        """Take values of two keys, and of one that does not exist."""

    def check(missing: int, late: int) -> Iterator[FieldError]:
        yield from ()

    def late(size: int, later: int) -> str:
        return f"{size} {later}"

    keys = Key("size", Text(3)), Key("name", Text(3), None), Key("length", Integer(0, 1), attribute="later")
    table = Table(make, *keys, computed=(Computed("late", late, ("width",)),), checks=(check,))
    assert unknown_parameters(table) == ["at width", "check(missing)"]
    assert [problem.partition(":")[0] for problem in unfit_values(table)] == [
        "late(size)", "check(late)", "make(size)", "make(name)",
    ]  # fmt: skip
    assert unknown_parameters(Table(make, keys[0])) == ["make(name)"]


@pytest.mark.parametrize(
    ("produced", "wanted", "expected"),
    [
        (str, str, True),
        (str, int, False),
        (bool, int, True),
        (str, str | None, True),
        (NoneType, str | None, True),
        (NoneType, str, False),
        (str | None, str, False),
        (tuple, tuple[str, ...], True),
        (tuple, Sequence[str], True),
        (tuple, Mapping[str, str], False),
        (str, Any, True),
    ],
)
def test_fits(produced: Any, wanted: Any, expected: bool) -> None:
    assert fits(produced, wanted) is expected

"""The tables of a TOML file as data: their keys with the types of their values, and the checks between keys.

A table is declared once; the reader and the JSON Schema both come from it::

    RANGE = Table(
        AccuracyRange,                                   # called with the values, by the names of its parameters
        Key("quantity", Choice(Quantity)),               # required
        Key("line", Parsed(parse_accuracy, '"2 % + 5 digits"'), attribute="accuracy"),
        Key("up_to", Text(), default=None),
        computed=(Computed("top", _top),),               # _top(quantity, up_to) runs where both are right
    )
"""

from collections.abc import Callable, Iterable, Mapping
from typing import Any, NamedTuple, TypeVar

from meterlink.core.errors import InputError
from meterlink.core.text import count_phrase
from meterlink.tomlfile.field_types import FieldType, Schema, Wrong
from meterlink.tomlfile.positions import TomlPath
from meterlink.tomlfile.problems import PathProblem, quote_value

_T = TypeVar("_T")
_New = TypeVar("_New")


class _Required:
    """The default of a key that must be given."""


REQUIRED = _Required()


class Key(NamedTuple):
    """A key of a table.

    ``attribute`` is the name of its value for checks and for the result, by default ``name``. A missing key has the
    value ``default``. ``description`` is for the JSON Schema.
    """

    name: str
    type: FieldType[Any]
    default: Any = REQUIRED
    attribute: str = ""
    description: str = ""

    @property
    def value_name(self) -> str:
        """The name of the value."""
        return self.attribute or self.name


class FieldError(InputError):
    """An error at ``at``: a key of the table, or a path below the table."""

    def __init__(self, at: str | TomlPath, message: str, remedy: str) -> None:
        super().__init__(message, remedy)
        self.at: TomlPath = (at,) if isinstance(at, str) else at


class Computed(NamedTuple):
    """A value computed from others: ``function`` gets those that its parameters name.

    It runs only where all of them are right; a parameter ``partial_x`` gets the table, list or array of tables ``x``
    also where a part of it is wrong. A wrong table is then ``{name: value}`` of its right values, and has
    ``partial_name`` besides for each value of which a part is right. Where the function raises an InputError, that is
    a problem of the first key of ``at`` that is given (else of the table), or of the key that a FieldError names.
    """

    name: str
    function: Callable[..., Any]
    at: tuple[str, ...] = ()


# A function that yields the problems between the values that its parameters name; it runs like that of a `Computed`.
Check = Callable[..., Iterable[FieldError]]


class Table(FieldType[_T]):
    """A table. ``make`` is called with the values that its parameters name, or raises an InputError.

    ``computed`` and ``checks`` run in that order. ``schema_rules`` are JSON Schemas of the whole table, for
    checks that a schema can express. ``opening`` is the first key of an example.
    """

    kinds = (dict,)
    noun = "a table"
    example = "{ … }"

    def __init__(
        self,
        make: Callable[..., _T],
        *keys: Key,
        computed: tuple[Computed, ...] = (),
        checks: tuple[Check, ...] = (),
        schema_rules: tuple[Schema, ...] = (),
        opening: str = "",
    ) -> None:
        self.make = make
        self.keys = keys
        self.computed = computed
        self.checks = checks
        self.schema_rules = schema_rules
        self._names = frozenset(key.name for key in keys)
        self._parameters = {function: parameters(function) for function in self.functions}
        self._opening = opening

    @property
    def functions(self) -> tuple[Callable[..., Any], ...]:
        """The computed functions, the checks and ``make``, in the order of their calls."""
        return (*(computed.function for computed in self.computed), *self.checks, self.make)

    def extended(
        self,
        make: Callable[..., _New],
        *keys: Key,
        computed: tuple[Computed, ...] = (),
        checks: tuple[Check, ...] = (),
    ) -> "Table[_New]":
        """Return a table with more keys, computed values and checks than this one, and another ``make``."""
        return Table(
            make,
            *self.keys,
            *keys,
            computed=(*self.computed, *computed),
            checks=(*self.checks, *checks),
            schema_rules=self.schema_rules,
            opening=self._opening,
        )

    def convert(self, value: Mapping[str, object], path: TomlPath, problems: list[PathProblem]) -> _T | Wrong:
        """Return the result of ``make``."""
        before = len(problems)
        values = self._read_keys(value, path, problems)
        self._apply_functions(values, value, path, problems)
        if len(problems) > before:
            return Wrong({f"partial_{name}": read for name, read in values.items()} | values)
        try:
            return self.make(**{name: values[name] for name in self._parameters[self.make] if name in values})
        except InputError as error:
            problems.append(_path_problem(error, (), value, path))
            return Wrong(values)

    def _read_keys(self, entry: Mapping[str, object], path: TomlPath, problems: list[PathProblem]) -> dict[str, Any]:
        """Return the right values by name, and the right parts of wrong ones as ``partial_name``."""
        unknown = not entry.keys() <= self._names
        meant = report_unknown_keys(entry, tuple(key.name for key in self.keys), path, problems) if unknown else ()
        values: dict[str, Any] = {}
        for key in self.keys:
            name = key.name
            if name in entry:
                _read_key(key, entry[name], (*path, name), problems, values)
            elif key.default is not REQUIRED:
                values[key.value_name] = key.default
            elif name not in meant:
                problems.append(PathProblem(path, f"{name} is missing.", key.type.instruction((*path, name))))
        return values

    def _apply_functions(
        self, values: dict[str, Any], entry: Mapping[str, object], path: TomlPath, problems: list[PathProblem]
    ) -> None:
        """Add the computed values, and the problems that the functions find."""
        for computed in self.computed:
            arguments = _arguments(self._parameters[computed.function], values)
            if arguments is None:
                continue
            try:
                values[computed.name] = computed.function(**arguments)
            except InputError as error:
                problems.append(_path_problem(error, computed.at, entry, path))
        for check in self.checks:
            arguments = _arguments(self._parameters[check], values)
            if arguments is not None:
                problems += [_path_problem(problem, (), entry, path) for problem in check(**arguments)]

    def schema(self) -> Schema:
        """Return the JSON Schema."""
        properties = {
            key.name: key.type.schema() | ({"description": key.description} if key.description else {})
            for key in self.keys
        }
        required = [key.name for key in self.keys if key.default is REQUIRED]
        schema: Schema = {"type": "object", "properties": properties, "additionalProperties": False}
        schema |= {"required": required} if required else {}
        return schema | ({"allOf": list(self.schema_rules)} if self.schema_rules else {})

    def instruction(self, path: TomlPath) -> str:
        """Return the sentence that names the header."""
        return _header_instruction(path, self._opening)


class Variants(FieldType[_T]):
    """A table whose key ``tag`` says which of ``tables`` it is; each of them has the key ``tag``.

    Of a table with a wrong tag, the keys that all the tables have in common are still read for their problems.
    """

    kinds = (dict,)
    noun = "a table"
    example = "{ … }"

    def __init__(self, tag: str, tables: Mapping[str, Table[Any]]) -> None:
        self.tag = tag
        self.tables = tables
        self._own_keys = {word: frozenset(key.name for key in table.keys) for word, table in tables.items()}
        self._known_keys = _keys_of(tables)

    def convert(self, value: Mapping[str, object], path: TomlPath, problems: list[PathProblem]) -> _T | Wrong:
        """Return what the table of the value's variant reads."""
        tag, remedy = value.get(self.tag), f"Use one of: {', '.join(self.tables)}."
        if isinstance(tag, str) and tag in self.tables:
            return self._convert_variant(tag, value, path, problems)
        meant = report_unknown_keys(value, self._known_keys, path, problems)
        if self.tag in value:
            self.refuse((*path, self.tag), problems, f"{quote_value(tag)} is not known.", remedy)
        elif self.tag not in meant:
            self.refuse(path, problems, f"{self.tag} is missing.", remedy)
        values: dict[str, Any] = {}
        first, *others = self.tables.values()
        for key in first.keys:
            if key.name in value and key.name != self.tag and all(key in table.keys for table in others):
                _read_key(key, value[key.name], (*path, key.name), problems, values)
        return Wrong(values)

    def _convert_variant(
        self, tag: str, entry: Mapping[str, object], path: TomlPath, problems: list[PathProblem]
    ) -> _T | Wrong:
        own = self._own_keys[tag]
        foreign = [key for key in entry if key not in own and key in self._known_keys]
        for key in foreign:
            message = f"{quote_value(key)} is not a field here: {self.tag} is {tag}."
            problems.append(PathProblem((*path, key), message, f"Remove it, or correct {self.tag}."))
        rest = {key: value for key, value in entry.items() if key not in foreign} if foreign else entry
        result: _T | Wrong = self.tables[tag].convert(rest, path, problems)
        return Wrong(result) if foreign and not isinstance(result, Wrong) else result

    def schema(self) -> Schema:
        """Return the JSON Schema."""
        tags: dict[Table[Any], list[str]] = {}
        for word, table in self.tables.items():
            tags.setdefault(table, []).append(word)
        cases = [
            {"if": {"properties": {self.tag: {"enum": words}}}, "then": table.schema()} for table, words in tags.items()
        ]
        return {
            "type": "object",
            "properties": {self.tag: {"enum": list(self.tables)}},
            "required": [self.tag],
            "allOf": cases,
        }

    def instruction(self, path: TomlPath) -> str:
        """Return the sentence that names the header."""
        return _header_instruction(path)


class VariantsByKey(FieldType[_T]):
    """A table that is the first one of ``tables`` whose name is a key of it; each of them has that key."""

    kinds = (dict,)
    noun = "a table"
    example = "{ … }"

    def __init__(self, tables: Mapping[str, Table[Any]]) -> None:
        self.tables = tables

    def convert(self, value: Mapping[str, object], path: TomlPath, problems: list[PathProblem]) -> _T | Wrong:
        """Return what the table of the value's variant reads."""
        for key, table in self.tables.items():
            if key in value:
                result: _T | Wrong = table.convert(value, path, problems)
                return result
        if not report_unknown_keys(value, _keys_of(self.tables), path, problems) & self.tables.keys():
            names = ", ".join(self.tables)
            self.refuse(path, problems, f"it has none of the keys {names}.", "Add one of them.")
        return Wrong({})

    def schema(self) -> Schema:
        """Return the JSON Schema."""
        schema: Schema = {"type": "object", "not": {}}
        for key in reversed(tuple(self.tables)):
            schema = {"type": "object", "if": {"required": [key]}, "then": self.tables[key].schema(), "else": schema}
        return schema

    def instruction(self, path: TomlPath) -> str:
        """Return the sentence that names the header."""
        return _header_instruction(path)


class Tables(FieldType[tuple[_T, ...]]):
    """An array of ``least`` to ``most`` tables; no two have the same text under one of the keys ``unique``."""

    kinds = (list,)
    noun = "a list of tables"

    def __init__(
        self,
        table: Table[_T] | Variants[_T] | VariantsByKey[_T],
        least: int,
        most: int,
        *,
        unique: tuple[str, ...] = (),
    ) -> None:
        self._table = table
        self._least = least
        self._most = most
        self._unique = unique

    def convert(self, value: list[object], path: TomlPath, problems: list[PathProblem]) -> tuple[_T, ...] | Wrong:
        """Return the tables' values."""
        before = len(problems)
        if not self._least <= len(value) <= self._most:
            message = f"it has {count_phrase(len(value), 'table')}, not {self._least} to {self._most}."
            return self.refuse(path, problems, message, self.instruction(path))
        items: list[Any] = []
        taken: set[tuple[str, str]] = set()
        for number, entry in enumerate(value):
            item = self._table.read(entry, (*path, number), problems)
            items.append(item.partial or {} if isinstance(item, Wrong) else item)
            for key in self._unique:
                word = entry.get(key) if isinstance(entry, dict) else None
                if isinstance(word, str) and (key, word) in taken:
                    message = f"another {header(path)} has the {key} {quote_value(word)}."
                    self.refuse((*path, number, key), problems, message, f"Give each a {key} of its own.")
                taken |= {(key, word)} if isinstance(word, str) else set()
        return tuple(items) if len(problems) == before else Wrong(tuple(items))

    def schema(self) -> Schema:
        """Return the JSON Schema."""
        return {"type": "array", "items": self._table.schema(), "minItems": self._least, "maxItems": self._most}

    def instruction(self, path: TomlPath) -> str:
        """Return the sentence that names the header."""
        return f"Write each as [[{header(path)}]]."


def _keys_of(tables: Mapping[str, Table[Any]]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(key.name for table in tables.values() for key in table.keys))


def header(path: TomlPath) -> str:
    """Return the words of the header of the table at ``path``: ``frame.checksum``."""
    return ".".join(part for part in path if isinstance(part, str))


def _header_instruction(path: TomlPath, opening: str = "") -> str:
    in_array = path and isinstance(path[-1], int)
    words = f"[[{header(path)}]]" if in_array else f"[{header(path)}]"
    return f"Write it as {words}" + (f" with {opening}." if opening else ".")


def parameters(function: Callable[..., Any]) -> tuple[str, ...]:
    """Return the names of the parameters of a function, or of those that make an object of a class."""
    if not isinstance(function, type):
        code = function.__code__
        return code.co_varnames[: code.co_argcount + code.co_kwonlyargcount]
    maker: Any = function.__new__ if issubclass(function, tuple) else function.__init__
    return parameters(maker)[1:]


def report_unknown_keys(
    entry: Mapping[str, object], known: tuple[str, ...], path: TomlPath, problems: list[PathProblem]
) -> set[str]:
    """Add a problem for every key of ``entry`` that is not ``known``; return the known keys that they resemble."""
    meant = set()
    for key in entry:
        if key not in known:
            from difflib import get_close_matches  # noqa: PLC0415  # only for a file with a mistake

            alike = get_close_matches(key, known, 1)
            remedy = f"Did you mean {alike[0]}?" if alike else f"Use: {', '.join(known)}."
            problems.append(PathProblem((*path, key), f"{quote_value(key)} is not a field here.", remedy))
            meant |= set(alike)
    return meant


def _read_key(key: Key, value: object, path: TomlPath, problems: list[PathProblem], values: dict[str, Any]) -> None:
    """Add a right value to ``values`` by its name, the right part of a wrong one as ``partial_name``."""
    read = key.type.read(value, path, problems)
    if not isinstance(read, Wrong):
        values[key.value_name] = read
    elif read.partial is not None:
        values[f"partial_{key.value_name}"] = read.partial


def _arguments(names: tuple[str, ...], values: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return the values that parameters name, or None where one of them is missing."""
    arguments = {}
    for name in names:
        source = name if name in values else name.removeprefix("partial_")
        if source not in values:
            return None
        arguments[name] = values[source]
    return arguments


def _path_problem(error: InputError, at: tuple[str, ...], entry: Mapping[str, object], path: TomlPath) -> PathProblem:
    below: TomlPath = error.at if isinstance(error, FieldError) else next(((key,) for key in at if key in entry), ())
    # A missing key has no position: the problem is at the table.
    below = below if below and below[0] in entry else ()
    return PathProblem((*path, *below), error.message, error.remedy)

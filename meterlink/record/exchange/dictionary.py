"""The data dictionary: every column and key of an export, from the declaration by which it is written."""

from collections.abc import Sequence

from meterlink.record.exchange.jsonl_form import FORMAT, PARTS_OF_VISIT
from meterlink.store.exchange_fields import (
    ACCEPTED_FIELDS,
    CORRECTION_FIELDS,
    RAW_FIELDS,
    READING_FIELDS,
    VERDICT_FIELDS,
    VISIT_FIELDS,
    VOID_FIELDS,
    Field,
    FieldKind,
    Personal,
)

_RECORDS: dict[str, tuple[str, tuple[Field, ...]]] = {
    "accepted reading": ("A row of a table, or the records of a SenML pack: one accepted reading.", ACCEPTED_FIELDS),
    "raw reading": ("A row, a line, or the records of a SenML pack: one raw reading (`--raw`).", RAW_FIELDS),
    "line of an accepted reading": (
        "A line of JSON Lines; its arrays `verdicts`, `voids` and `corrections` have the objects below, oldest first.",
        READING_FIELDS,
    ),
    "verdict": ("An object of the array `verdicts`; the last one is the current verdict.", VERDICT_FIELDS),
    "void": ("An object of the array `voids`; the last one says whether the reading counts.", VOID_FIELDS),
    "correction": (
        "An object of the array `corrections`: its packet was decoded again; the last one has the present display.",
        CORRECTION_FIELDS,
    ),
    "visit": ("A line of JSON Lines before the first reading of the visit; its arrays are below.", VISIT_FIELDS),
    **{key: (f"An object of the array `{key}` of a visit.", fields) for key, fields in PARTS_OF_VISIT.items()},
}
# The type of each kind in a form that has types of its own; CSV has text only.
_JSON_TYPES = {
    FieldKind.TEXT: "string",
    FieldKind.DECIMAL: "string",
    FieldKind.INTEGER: "number",
    FieldKind.TIME: "number",
    FieldKind.REAL: "number",
    FieldKind.FLAG: "boolean",
    FieldKind.BYTES: "string",
}


def describe() -> dict[str, object]:
    """Return the data dictionary as one object of JSON."""
    return {
        "format": FORMAT,
        "records": {
            name: {"meaning": meaning, "fields": [_field(field) for field in fields]}
            for name, (meaning, fields) in _RECORDS.items()
        },
    }


def describe_as_markdown() -> str:
    """Return the data dictionary as tables of Markdown, a section for each kind of record."""
    return "\n\n".join(_section(name, meaning, fields) for name, (meaning, fields) in _RECORDS.items()) + "\n"


def _field(field: Field) -> dict[str, str | bool | None]:
    return {
        "name": field.name,
        "type": field.kind.value,
        "json_type": _JSON_TYPES[field.kind],
        "unit": field.unit or None,
        "meaning": field.meaning,
        "null": field.null or None,
        "anonymous": _anonymous(field) or None,
    }


def _anonymous(field: Field) -> str:
    match field.personal:
        case Personal.NO:
            return ""
        case Personal.LEFT_OUT:
            return "left out"
        case kind:
            return f"*{kind} 1*"


def _section(name: str, meaning: str, fields: Sequence[Field]) -> str:
    lines = [f"## {name[0].upper()}{name[1:].replace('_', ' ')}", "", meaning, ""]
    lines += ["| name | type | unit | meaning | null means | anonymous |", "| --- | --- | --- | --- | --- | --- |"]
    lines += [
        f"| `{field.name}` | {field.kind} | {field.unit} | {field.meaning} | {field.null or 'never null'} |"
        f" {_anonymous(field)} |"
        for field in fields
    ]
    return "\n".join(lines)

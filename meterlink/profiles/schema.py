"""The JSON Schema of profiles (draft 2020-12), for editors that complete and check TOML."""

from enum import StrEnum
from typing import Any

from meterlink.core.readings import Coupling
from meterlink.profiles.model import (
    LONGEST_PROFILE_NAME,
    PROFILE_NAME,
    SCHEMA_VERSION,
    UNIT_PREFIXES,
    ChecksumKind,
    DriverName,
    Flag,
    NumberType,
)
from meterlink.profiles.tables import LARGEST_OFFSET, LONGEST_FRAME

Schema = dict[str, Any]

_BIT = r"^!?[0-9]{1,3}\.[0-7]$"
_BITS = r"^!?[0-9]{1,3}\.[0-7](-[0-7])?$"
_NUMBER_KEY = r"^(0[xX][0-9A-Fa-f]+|0[bB][01]+|[1-9][0-9]*|0)$"
_HEX = r"^\s*([0-9A-Fa-f]{2}\s*)+$"


def json_schema() -> Schema:
    """Return the schema as an object for `json`.

    It checks each key by itself; `check_profile` also checks keys against each other.
    """
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Meterlink profile",
        "description": "How a meter is recognised, written to, and how its packets are read.",
        **_table(
            {
                "profile": {"const": SCHEMA_VERSION, "description": "The version of this schema."},
                "name": {"type": "string", "pattern": f"^{PROFILE_NAME.pattern}$", "maxLength": LONGEST_PROFILE_NAME},
                "driver": {**_enum(DriverName), "description": "framed, segmented: frames; lined: lines of text."},
                "note": {"type": "string", "maxLength": 400},
                "match": _match(),
                "connection": _connection(),
                "frame": _frame(),
                "value": _value(),
                "code": {"type": "array", "items": _code()},
                "annunciators": _meaning_table(_BIT, "The meanings of bits while they are lit."),
                "text": _text(),
            },
            ["profile", "name", "driver", "connection"],
        ),
        "if": {"properties": {"driver": {"const": "lined"}}},
        "then": {"properties": dict.fromkeys(("frame", "value", "code", "annunciators"), False)},
        "else": {"properties": {"text": False}, "required": ["value"]},
        "$defs": {"meaning": _meaning(), "bit": {"type": "string", "pattern": _BIT}},
    }


def _match() -> Schema:
    return _table(
        {
            "name": {"type": "string", "description": "A pattern with * and ?."},
            "services": _UUIDS,
            "manufacturer": _integer(0, 0xFFFF),
        }
    )


def _connection() -> Schema:
    write = _table(
        {
            "to": {"type": "string"},
            "hex": _bytes("The bytes to write."),
            "every": {"type": "number", "minimum": 0.05, "maximum": 3600, "description": "Seconds; without it, once."},
            "response": {"type": "boolean"},
        },
        ["to", "hex"],
    )
    return _table(
        {
            "service": {"type": "string"},
            "notify": _UUIDS,
            "read": _UUIDS,
            "every": {"type": "number", "minimum": 0.05, "maximum": 3600, "description": "Seconds between reads."},
            "write": {"type": "array", "items": write},
        }
    ) | {"anyOf": [{"required": ["notify"]}, {"required": ["read"]}]}


def _frame() -> Schema:
    field = _table(
        {"at": _OFFSET, "size": _integer(1, 2), "order": _ORDER, "add": _integer(-LONGEST_FRAME, LONGEST_FRAME)}, ["at"]
    )
    return _table(
        {
            "start": _bytes("The first bytes of every frame, as they come."),
            "length": {"anyOf": [_integer(1, LONGEST_FRAME), field]},
            "end": _bytes("The last bytes of every frame, as they come."),
            "one_per_packet": {"type": "boolean", "description": "Every packet is one frame."},
            "longest": _integer(1, LONGEST_FRAME),
            "key": _bytes("Exclusive-ored repeatedly on the frame."),
            "key_from": _OFFSET,
            "checksum": {"type": "array", "items": _checksum()},
        }
    )


def _checksum() -> Schema:
    return _table(
        {
            "kind": _enum(ChecksumKind),
            "at": _integer(-LONGEST_FRAME, LARGEST_OFFSET),
            "size": _integer(1, 4),
            "order": _ORDER,
            "from": _integer(-LONGEST_FRAME, LARGEST_OFFSET),
            "to": _integer(-LONGEST_FRAME, LONGEST_FRAME),
            "hex": {"type": "boolean"},
            "key": _integer(0, 0xFF),
            "raw": {"type": "boolean"},
            "negate": {"type": "boolean"},
            "init": _integer(0, 0xFFFFFFFF),
            "xor_out": _integer(0, 0xFFFFFFFF),
            "width": _integer(1, 32),
            "polynomial": _integer(1, 0xFFFFFFFF),
            "reflect_in": {"type": "boolean"},
            "reflect_out": {"type": "boolean"},
        },
        ["kind"],
    )


def _value() -> Schema:
    contents = {"type": "array", "items": {"type": "integer", "minimum": 0}}
    segment = {"type": "string", "pattern": r"^(\?|!?[0-9]{1,3}\.[0-7]|!?\*[0-9]{1,2})?$"}
    digit = {"type": "array", "items": segment, "minItems": 7, "maxItems": 7}
    pool = {"type": "array", "items": {"$ref": "#/$defs/bit"}, "minItems": 1}
    return _table(
        {
            "type": {"enum": ["segments", *(number_type.value for number_type in NumberType)]},
            **_LOCATION,
            "overload": contents,
            "invalid": contents,
            "overload_above": {"type": "integer", "minimum": 0},
            "digits": {"type": "array", "items": digit, "minItems": 1, "maxItems": 12},
            "pools": {"type": "array", "items": pool},
            "glyphs": _pattern_object(_NUMBER_KEY, {"type": "string", "minLength": 1, "maxLength": 1}),
            "places": _integer(0, 12),
            "scale": {"type": "number"},
            "points": _pattern_object(_NUMBER_KEY, {"$ref": "#/$defs/bit"}),
            "unit": _UNIT,
            "coupling": _enum(Coupling),
            "most_digits": _integer(1, 12),
        },
        ["type"],
    )


def _code() -> Schema:
    meanings = _meaning_table(_NUMBER_KEY, "The meanings of the field's numbers.")
    return _table({**_LOCATION, "is": meanings, "otherwise": {"$ref": "#/$defs/meaning"}}, ["is"])


def _text() -> Schema:
    return _table(
        {
            "end": {"type": "string", "maxLength": 8},
            "encoding": {"enum": ["ascii", "utf-8"]},
            "longest": _integer(1, 4096),
            "value_number": _integer(1, 64),
            "number_count": _integer(1, 64),
            "unit": _UNIT,
            "coupling": _enum(Coupling),
            "separators": {"type": "string", "maxLength": 16},
            "split_before_number": {"type": "boolean"},
            "ignore": {"type": "array", "items": {"type": "string", "minLength": 1}},
            "words": _meaning_table(r"^\S+$", "The meanings of words."),
            "checksum": {"type": "array", "items": _checksum()},
        }
    )


def _meaning() -> Schema:
    return _table(
        {
            "unit": _UNIT,
            "prefix": {"enum": [*UNIT_PREFIXES, "u"]},
            "coupling": _enum(Coupling),
            "places": _integer(0, 12),
            "scale": {"type": "number"},
            "flag": _enum(Flag),
        }
    )


def _table(properties: Schema, required: list[str] | None = None) -> Schema:
    table: Schema = {"type": "object", "properties": properties, "additionalProperties": False}
    return table | ({"required": required} if required else {})


def _pattern_object(pattern: str, value: Schema) -> Schema:
    return {"type": "object", "patternProperties": {pattern: value}, "additionalProperties": False}


def _meaning_table(pattern: str, description: str) -> Schema:
    return _pattern_object(pattern, {"$ref": "#/$defs/meaning"}) | {"description": description}


def _enum(enum_type: type[StrEnum]) -> Schema:
    return {"enum": [member.value for member in enum_type]}


def _integer(low: int, high: int) -> Schema:
    return {"type": "integer", "minimum": low, "maximum": high}


def _bytes(description: str) -> Schema:
    return {"type": "string", "pattern": _HEX, "description": description}


_OFFSET = _integer(0, LARGEST_OFFSET)
_ORDER: Schema = {"enum": ["little", "big"]}
_UNIT: Schema = {"type": "string", "description": "A display unit: V, mV, A, Ω, kΩ, µF, Hz, °C, % …"}
_UUIDS: Schema = {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}
_LOCATION: Schema = {
    "at": _OFFSET,
    "size": _integer(1, 24),
    "order": _ORDER,
    "bits": {"type": "array", "items": {"type": "string", "pattern": _BITS}, "minItems": 1, "maxItems": 64},
}

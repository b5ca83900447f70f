"""The ``[match]`` and ``[connection]`` tables of a profile: which meter it is, and the sources of its packets."""

from collections.abc import Iterator
from decimal import Decimal

from meterlink.profiles.hexadecimal import hexadecimal
from meterlink.profiles.model import ConnectionSetup, ConnectionWrite, Match
from meterlink.profiles.uuids import UUID, UUIDS
from meterlink.tomlfile.field_types import Boolean, Integer, Number, Schema, Text
from meterlink.tomlfile.tables import Computed, FieldError, Key, Table, Tables

_MOST_WRITES = 64  # more than the commands that start any meter
# An attribute holds 512 bytes at most (Bluetooth Core, vol. 3 part F, 3.2.9).
_LONGEST_WRITE = 512
_SECONDS = Number("0.05", "3600", example="a number of seconds from 0.05 to 3600")
_NOTIFY = 'notify = ["<characteristic UUID>"]'


def _every(seconds: Decimal) -> float:
    return float(seconds)


def _check_sources(notify: tuple[str, ...], read: tuple[str, ...]) -> Iterator[FieldError]:
    if not notify and not read:
        yield FieldError("notify", "notify and read are missing.", f"Write {_NOTIFY}, or read.")


def _given(key: str) -> Schema:
    return {"required": [key], "properties": {key: {"not": {"const": []}}}}


MATCH = Table(
    Match,
    Key("name", Text(80, example='"BENCH*"'), "", description="The advertised name; a pattern with * and ?."),
    Key("services", UUIDS, (), description="UUIDs that the meter advertises or has."),
    Key("manufacturer", Integer(0, 0xFFFF), None, description="The company number of its manufacturer data."),
)
_WRITE = Table(
    ConnectionWrite,
    Key("to", UUID, description="The characteristic."),
    Key("hex", hexadecimal(_LONGEST_WRITE), attribute="data", description="The bytes to write."),
    Key("every", _SECONDS, Decimal(0), "seconds", "Seconds from write to write; without it, once."),
    Key("response", Boolean(), default=False, description="The meter acknowledges."),
    computed=(Computed("every", _every),),
)
CONNECTION = Table(
    ConnectionSetup,
    Key("service", UUID, "", description="The service that has the characteristics."),
    Key("notify", UUIDS, (), description="The characteristics to subscribe to."),
    Key("read", UUIDS, (), description="The characteristics to read."),
    Key("every", _SECONDS, Decimal(1), "seconds", "Seconds from read to read."),
    Key("write", Tables(_WRITE, 0, _MOST_WRITES), (), "writes", "What is written after subscribing."),
    computed=(Computed("every", _every),),
    checks=(_check_sources,),
    schema_rules=({"anyOf": [_given("notify"), _given("read")]},),
    opening=_NOTIFY,
)

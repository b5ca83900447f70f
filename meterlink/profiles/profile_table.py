"""Profiles from TOML: a `Profile` or all the problems of its text; and the JSON Schema of profiles."""

from collections.abc import Iterator, Sequence
from typing import Any

from meterlink.core.errors import ProfileError
from meterlink.core.text import KEY_PATTERN
from meterlink.profiles.bits import BIT_PATTERN, find_bit
from meterlink.profiles.code_table import CODE
from meterlink.profiles.connection_table import CONNECTION, MATCH
from meterlink.profiles.frame_table import FRAME
from meterlink.profiles.meaning_table import MEANING
from meterlink.profiles.model import (
    LONGEST_PROFILE_NAME,
    SCHEMA_VERSION,
    Bit,
    Code,
    ConnectionSetup,
    DriverName,
    Framing,
    Match,
    Meaning,
    NumberType,
    Profile,
    Segments,
    TextFormat,
    ValueFormat,
)
from meterlink.profiles.text_table import TEXT
from meterlink.profiles.used_bytes import frame_length, used_bytes
from meterlink.profiles.value_table import SEGMENTS, VALUE
from meterlink.tomlfile.documents import Checked, check_document, document_schema
from meterlink.tomlfile.field_types import Choice, Constant, Entries, Schema, Text, Wrong
from meterlink.tomlfile.positions import TomlPath
from meterlink.tomlfile.problems import PathProblem, quote_value
from meterlink.tomlfile.tables import FieldError, Key, Table, Tables

_LONGEST_NOTE = 400  # characters: a few lines
_MOST_CODES = 2048  # as many as the longest frame has bits
_FRAME_KEYS = ("frame", "value", "code", "annunciators")  # of framed and segmented profiles
_NUMBER_TYPES = [number_type.value for number_type in NumberType]


def check_profile(text: str) -> Checked[Profile]:
    """Return the profile in ``text``, or all its problems."""
    return check_document(text, PROFILE)


def parse_profile(text: str, source: str) -> Profile:
    """Return the profile in ``text``, which was read from ``source``.

    Raises:
        ProfileError: the text is no profile; the message lists each error with source, line and column.
    """
    return check_profile(text).require(source, ProfileError)


def profile_schema() -> Schema:
    """Return the JSON Schema of profiles."""
    description = "How a meter is recognised, written to, and how its packets are read."
    return document_schema(PROFILE, "Meterlink profile", description)


def _make_profile(
    *,
    name: str,
    driver: DriverName,
    note: str,
    match: Match,
    connection: ConnectionSetup,
    frame: Framing | None,
    value: ValueFormat | None,
    code: tuple[Code, ...] | None,
    annunciators: tuple[tuple[Bit, Meaning], ...] | None,
    text: TextFormat | None,
) -> Profile:
    if driver is DriverName.LINED:
        return Profile(name, driver, connection, match, note=note, text=text or TextFormat())
    framing = frame or Framing()
    return Profile(name, driver, connection, match, framing, value, code or (), annunciators or (), note=note)


def _check_tables(
    driver: DriverName,
    partial_frame: object,
    partial_value: object,
    partial_code: object,
    partial_annunciators: object,
    partial_text: object,
) -> Iterator[FieldError]:
    given = dict(zip(_FRAME_KEYS, (partial_frame, partial_value, partial_code, partial_annunciators), strict=True))
    unfit = given if driver is DriverName.LINED else {"text": partial_text}
    for key in (key for key, table in unfit.items() if table is not None):
        yield FieldError(key, f"a {driver} profile has no {key}.", "Remove it, or correct driver.")
    if driver is not DriverName.LINED and partial_value is None:
        yield FieldError("value", "[value] is missing.", 'Write [value] with type = "…".')


def _check_type(driver: DriverName, partial_value: Any) -> Iterator[FieldError]:
    if isinstance(partial_value, dict):  # it has an error
        segmented, numeric = "type" in partial_value, "number_type" in partial_value
    else:
        segmented = isinstance(partial_value, ValueFormat) and isinstance(partial_value.source, Segments)
        numeric = isinstance(partial_value, ValueFormat) and not segmented
    if driver is DriverName.SEGMENTED and numeric:
        message = "the type of a segmented profile is segments."
        yield FieldError(("value", "type"), message, f'Write type = "{SEGMENTS}", or correct driver.')
    elif driver is DriverName.FRAMED and segmented:
        remedy = f"Use one of: {', '.join(_NUMBER_TYPES)}; or correct driver."
        yield FieldError(("value", "type"), "the type of a framed profile is one of a number.", remedy)


def _check_frame_length(
    driver: DriverName,
    partial_frame: Any,
    partial_value: Any,
    partial_code: Sequence[Any] | None,
    partial_annunciators: Sequence[tuple[Bit, Meaning | None]] | None,
) -> Iterator[FieldError]:
    length = frame_length(partial_frame)
    if length is None or driver is DriverName.LINED:
        return
    for byte, path in used_bytes(partial_frame, partial_value, partial_code or (), partial_annunciators or ()):
        if byte >= length:
            message = f"byte {byte} is beyond a frame of {length} bytes (0 to {length - 1})."
            yield FieldError(path, message, "Correct the location, or frame.length.")


def _check_channels(connection: ConnectionSetup, frame: Framing | None) -> Iterator[FieldError]:
    parts = frame.parts if frame is not None else ()
    if parts and connection.read:
        yield FieldError(("connection", "read"), "the parts of a frame are notified, not read.", "Write notify.")
    for number, part in enumerate(parts):
        yield from _check_channel(part.channel, connection, ("frame", "part", number, "channel"))
    for number, packet in enumerate(frame.beside if frame is not None else ()):
        if packet.channel or not connection.read:
            yield from _check_channel(packet.channel, connection, ("frame", "beside", number, "channel"))


def _check_channel(channel: int, connection: ConnectionSetup, path: TomlPath) -> Iterator[FieldError]:
    if channel >= len(connection.notify):
        remedy = "Write the number of one in connection.notify, from 0."
        yield FieldError(path, f"notify has no characteristic {channel}.", remedy)


def _check_unit(
    driver: DriverName,
    value: ValueFormat | None,
    code: tuple[Code, ...] | None,
    annunciators: tuple[tuple[Bit, Meaning], ...] | None,
) -> Iterator[FieldError]:
    if driver is DriverName.LINED or value is None or value.unit:
        return
    meanings = [meaning for entry in code or () for _, meaning in entry.meanings]
    meanings += [entry.otherwise for entry in code or () if entry.otherwise]
    meanings += [meaning for _, meaning in annunciators or ()]
    if not any(meaning.unit for meaning in meanings):
        remedy = 'Write unit = "V" in [value], or in the meaning of a code or an annunciator.'
        yield FieldError("value", "the value has no unit.", remedy)


class _Version(Constant):
    """The version of the schema."""

    def convert(self, value: str | int, path: TomlPath, problems: list[PathProblem]) -> str | int | Wrong:
        """Return the version."""
        if value == SCHEMA_VERSION:
            return value
        return self.refuse(path, problems, f"version {quote_value(value)} is not supported.")


def _driver_rule(drivers: Sequence[DriverName], properties: Schema, required: Sequence[str] = ()) -> Schema:
    is_one = {"properties": {"driver": {"enum": [driver.value for driver in drivers]}}, "required": ["driver"]}
    return {"if": is_one, "then": {"properties": properties} | ({"required": list(required)} if required else {})}


PROFILE = Table(
    _make_profile,
    Key(
        "profile",
        _Version(SCHEMA_VERSION, f"Write profile = {SCHEMA_VERSION}, or update Meterlink."),
        description="The version of this schema.",
    ),
    Key(
        "name",
        Text(
            LONGEST_PROFILE_NAME,
            pattern=KEY_PATTERN,
            wanted="Use lower-case letters, digits and hyphens.",
            example='"…" of lower-case letters, digits and hyphens',
        ),
        description="Lower-case letters, digits and hyphens.",
    ),
    Key("driver", Choice(DriverName), description="framed, segmented: frames; lined: lines of text."),
    Key("note", Text(_LONGEST_NOTE), "", description="For people."),
    Key("match", MATCH, Match(), description="Which meter it is; every given condition must hold."),
    Key("connection", CONNECTION, description="Where packets come from, and what is written."),
    Key("frame", FRAME, None, description="How frames are cut out of packets."),
    Key("value", VALUE, None, description="The number on the display."),
    Key("code", Tables(CODE, 0, _MOST_CODES), None, description="The meanings of a field: function, range, state."),
    Key(
        "annunciators",
        Entries(
            find_bit,
            BIT_PATTERN,
            MEANING,
            '"3.7" = { flag = "overload" }',
            wanted='Write "3.7" = { … }, the bit in quotes.',
        ),
        None,
        description="The meanings of bits while they are lit.",
    ),
    Key("text", TEXT, None, description="How lines of text are read."),
    checks=(_check_tables, _check_type, _check_frame_length, _check_channels, _check_unit),
    schema_rules=(
        _driver_rule([DriverName.LINED], dict.fromkeys(_FRAME_KEYS, False)),
        _driver_rule([DriverName.FRAMED, DriverName.SEGMENTED], {"text": False}, ["value"]),
        _driver_rule([DriverName.FRAMED], {"value": {"properties": {"type": {"enum": _NUMBER_TYPES}}}}),
        _driver_rule([DriverName.SEGMENTED], {"value": {"properties": {"type": {"const": SEGMENTS}}}}),
    ),
)
"""The table of a profile's file."""

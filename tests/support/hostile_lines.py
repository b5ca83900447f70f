"""Lines for the daemon's socket that no watcher of ours sends: noise, broken JSON, JSON with the wrong values."""

import inspect
import json
import random
from collections.abc import Callable, Iterator
from unittest.mock import Mock

from meterlink.link.messages import CommandName
from meterlink.station.commands import Argument, command_rows

_HANDLERS = inspect.signature(command_rows).parameters.values()
ROWS = command_rows(
    *(Mock() for handlers in _HANDLERS if handlers.kind is handlers.POSITIONAL_OR_KEYWORD),
    **{handlers.name: Mock() for handlers in _HANDLERS if handlers.kind is handlers.KEYWORD_ONLY},
)

_NAMES: tuple[str, ...] = (*CommandName, "", "shutdown", "__class__", "enter\x00")
_TEXTS = (
    "", "herm", "4.70 uF", "\x1b[2J", "\ud800", "\x00", "[@click=app.quit]x", "../../etc/passwd",
    "'; DROP TABLE visit;--", "x" * 5_000, "\u202eevil", "NaN", "-1e999", "2026-13-45", "ß" * 300,
)  # fmt: skip
_NUMBERS = (0, 1, -1, 2**31, 2**63 - 1, 2**63, 10**30, -(2**63) - 1, 0.5, 1e308, float("inf"), float("nan"))


def hostile_lines(number: int, seed: int) -> Iterator[bytes]:
    """Yield ``number`` lines, each with its line feed; the same ones for the same seed."""
    rng = random.Random(seed)
    for _ in range(number):
        yield _KINDS[rng.randrange(len(_KINDS))](rng).replace(b"\n", b" ") + b"\n"


def _noise(rng: random.Random) -> bytes:
    return rng.randbytes(rng.randrange(200))


def _deep(rng: random.Random) -> bytes:
    return rng.choice((b"[", b'{"a":')) * rng.choice((3, 500, 5_000, 50_000))


def _wrong_values(rng: random.Random) -> bytes:
    command: dict[str, object] = {"id": rng.choice((rng.randrange(1_000_000), True, "7", None))}
    command["command"] = rng.choice((*_NAMES, 7, None, ["enter"], {}))
    for argument in rng.sample(list(Argument), rng.randrange(5)):
        command[argument] = _value(rng)
    return json.dumps(command).encode()


def _right_shape(rng: random.Random) -> bytes:
    """Return a command that exists with the arguments that it needs, of hostile texts and numbers."""
    row = rng.choice(ROWS)
    command: dict[str, object] = {"id": rng.randrange(1_000_000), "command": row.name}
    for argument in (*row.required, *rng.sample(row.optional, rng.randint(0, len(row.optional)))):
        command[argument] = _NEEDED[argument](rng) if argument in _NEEDED else rng.choice(_TEXTS)
    return json.dumps(command).encode()


def _cut(rng: random.Random) -> bytes:
    line = bytearray(_right_shape(rng))
    for _ in range(rng.randrange(4)):
        line[rng.randrange(len(line))] = rng.randrange(256)
    return bytes(line[: rng.randrange(1, len(line) + 1)])


def _value(rng: random.Random) -> object:
    kind = rng.randrange(5)
    if kind == 0:
        return rng.choice(_NUMBERS)
    if kind == 1:
        return rng.choice((None, True, [], {}, [1, "x"], {"a": {"b": []}}))
    if kind == 2:
        return [{rng.choice(("kind", "text", "count", "place")): rng.choice((*_TEXTS, *_NUMBERS))}]
    return rng.choice(_TEXTS)


def _number(rng: random.Random) -> object:
    return rng.choice(_NUMBERS)


_NEEDED: dict[Argument, Callable[[random.Random], object]] = {
    **dict.fromkeys((Argument.COUNT, Argument.SINCE, Argument.UNTIL, Argument.AFTER), _number),
    **dict.fromkeys((Argument.TYPED, Argument.READING), _number),
    Argument.PARTS: lambda rng: [
        {rng.choice(("part", "rating", "text", "count", "place")): rng.choice((*_TEXTS, *_NUMBERS)) for _ in range(4)}
    ],
}
_KINDS = (_noise, _deep, _wrong_values, _right_shape, _right_shape, _cut)

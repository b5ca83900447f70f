"""Lines of the local socket: at the parser and the table of commands, at a real station, and through a socket."""

import asyncio
import json
import logging
from collections.abc import Callable, Coroutine, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError
from meterlink.core.units import parse_unit
from meterlink.link.endpoint import LONGEST_LINE, parse_json_object, socket_path
from meterlink.link.messages import Command, CommandName, CommandResult
from meterlink.link.server import LinkServer
from meterlink.plans import DEFAULT_PLAN, load_plan
from meterlink.settings.parser import load_settings
from meterlink.station.commands import Argument, CommandTable
from meterlink.station.station import Station, StationConfig
from studies.fuzz.target import RefusedError, Target
from support.fuzz.mutants import mutate_bytes, mutate_json, mutate_text, written_json
from support.hostile_lines import ROWS, hostile_lines
from support.silent_stations import Silence

_LARGEST = 2**63 - 1
_POINTS = {point.key: point for point in load_plan(DEFAULT_PLAN).with_usual_answers({}).points}
_TEXTS: dict[Argument, Sequence[str]] = {
    Argument.POINT: (*list(_POINTS)[:6], "no-point"),
    Argument.METER: ("clamp meter", "00:00:5E:00:53:0A"),
    Argument.TEXT: ("45+5 uF 440 V", "43.7 uF", "2 % + 5 digits", "note", "fff2=a501@2", "2026-03-01, due 2027-03-01"),
    Argument.SITE: ("Mill Lane bakery",),
    Argument.UNIT: ("Condenser 1",),
    Argument.PLAN: ("split-condenser",),
    Argument.OUTCOME: ("repaired", "not repaired"),
    Argument.KIND: ("run capacitor",),
    Argument.FACT: ("model", "refrigerant"),
    Argument.ANSWER: ("1", "45+5 µF"),
}  # fmt: skip
_NUMBERS = (Argument.COUNT, Argument.SINCE, Argument.UNTIL, Argument.AFTER, Argument.READING, Argument.TYPED)
# A station that is told to end, to search the air or to write files elsewhere would be another study.
_NOT_AT_STATION = {CommandName.FIND, CommandName.DISCOVER_SERVICES, CommandName.BIND, CommandName.REPLACE_KEY}


@contextmanager
def line_targets(folder: Path) -> Iterator[Sequence[Target]]:
    """Yield the readers of the socket's lines."""
    parse_unit("uohm")  # loads pint, 20 MB, which the first unusual unit would do
    log = logging.getLogger("meterlink")
    before = log.level
    log.setLevel(logging.CRITICAL)  # it would have a line for each of a million refusals
    table = _table()
    loop = asyncio.new_event_loop()
    station_folder = folder / "station"
    station_folder.mkdir()
    settings = load_settings(station_folder)
    config = StationConfig(
        station_folder, settings, None, None, "b", publish=False, serve=False, packet_source=Silence()
    )
    # Opened when they are used: each target runs in a process of its own.
    at_station, through_socket = _Lazy(loop, _stations(config)), _Lazy(loop, _sockets(folder))
    try:
        yield (
            Target("lines of commands", 70, _line, lambda line: _answer(line, table), r"no command", 0.3, 0.15),
            Target("noise and wrong values", 28, _hostile, lambda line: _answer(line, table), r"no command", 0.3, 0.05),
            Target("commands of a station", 1, _command_line, at_station, r"no command", 0.8, 0.1),
            Target("through a socket", 1, _line, through_socket, r"no command", 0.5, 0.5),
        )
    finally:
        at_station.close()
        through_socket.close()
        loop.close()
        log.setLevel(before)


def _table() -> CommandTable:
    """Return the table of all commands; each handler checks the types of its arguments."""

    def handler(expected: tuple[Argument, ...]) -> Callable[..., Coroutine[Any, Any, None]]:
        async def check(**arguments: object) -> None:
            assert set(arguments) == set(expected)
            for name, value in arguments.items():
                _check_argument(name, value)

        return check

    rows = [replace(row, handler=handler((*row.required, *row.optional))) for row in ROWS]
    return CommandTable(rows, _find_point, lambda: None)


def _find_point(key: str) -> TestPoint:
    if key not in _POINTS:
        raise InputError("There is no such test point.")
    return _POINTS[key]


def _check_argument(name: str, value: object) -> None:
    if name == Argument.POINT:
        assert value is None or isinstance(value, TestPoint)
    elif name in _NUMBERS:
        assert type(value) is int
        assert 0 <= value <= _LARGEST
    elif name == Argument.PARTS:
        assert isinstance(value, list)
        assert all(isinstance(part, dict) for part in value)
    else:
        assert isinstance(value, str)
        assert not set(value) & set("\x00\x1b\x9b\u202e\u2066")
        value.encode()


# Lines


def _command(rng: Random, *, at_station: bool = False) -> dict[str, Any]:
    row = rng.choice(ROWS)
    while at_station and row.name in _NOT_AT_STATION:
        row = rng.choice(ROWS)
    command: dict[str, Any] = {"id": rng.randrange(1_000_000), "command": str(row.name)}
    for argument in (*row.required, *rng.sample(row.optional, rng.randint(0, len(row.optional)))):
        if argument in _NUMBERS:
            command[argument] = rng.randrange(4)
        elif argument is Argument.PARTS:
            command[argument] = [{"part": "run capacitor", "rating": "45+5 uF 440 V", "count": 2, "place": "left bin"}]
        else:
            command[argument] = rng.choice(_TEXTS.get(argument, ("x", "2")))
    return command


def _line(rng: Random) -> bytes:
    command = _command(rng)
    kind = rng.randrange(8)
    if kind == 0:
        return mutate_bytes(rng, json.dumps(command).encode())
    if kind == 1:
        return mutate_text(rng, json.dumps(command)).encode(errors="replace")
    return written_json(rng, command if kind == 2 else mutate_json(rng, command, most=2)).encode()


def _command_line(rng: Random) -> bytes:
    command = _command(rng, at_station=True)
    # The arguments are changed, not the name: most names of a mutant are none.
    names = [name for name in command if name not in {"id", "command"}]
    for name in rng.sample(names, min(len(names), rng.randrange(3))):
        command[name] = mutate_json(rng, command[name], most=1)
    return written_json(rng, command).encode()


def _hostile(rng: Random) -> bytes:
    return next(hostile_lines(1, rng.randrange(2**63)))


# Readers


def _answer(line: bytes, table: CommandTable) -> str:
    """Return the outcome of a line as the server and the table of commands find it.

    Raises:
        RefusedError: it is no command, or one that is not carried out.
    """
    if len(line) > LONGEST_LINE:
        raise RefusedError("longer than a line")
    command = parse_json_object(line)
    if not isinstance(command.get("id"), int):
        raise RefusedError("no command")
    json.dumps(command, ensure_ascii=False, allow_nan=False).encode()
    return _outcome(_run(table.execute(command)))


def _run(execution: Coroutine[Any, Any, CommandResult]) -> CommandResult:
    """Return the result of a coroutine that waits for nothing."""
    try:
        execution.send(None)
    except StopIteration as ended:
        result: CommandResult = ended.value
        return result
    raise AssertionError("it waits")


def _outcome(result: CommandResult) -> str:
    json.dumps({**result._asdict(), "data": dict(result.data)}, ensure_ascii=False, default=str).encode()
    if result.question is not None:
        return "asked"
    if result.error:
        assert "fault in Meterlink" not in result.error, result.error
        raise RefusedError(result.error.partition(".")[0])
    return "carried out"


class _Lazy:
    """A reader that is opened for its first line: an asynchronous generator that gets lines and yields outcomes."""

    def __init__(self, loop: asyncio.AbstractEventLoop, reader: Any) -> None:
        self._loop = loop
        self._reader = reader
        self._is_open = False

    def __call__(self, line: bytes) -> str:
        if not self._is_open:
            self._loop.run_until_complete(anext(self._reader))
            self._is_open = True
        outcome = self._loop.run_until_complete(self._reader.asend(line))
        if isinstance(outcome, RefusedError):
            raise outcome
        assert isinstance(outcome, str), outcome
        return outcome

    def close(self) -> None:
        self._loop.run_until_complete(self._reader.aclose())


async def _stations(config: StationConfig) -> Any:
    """Yield the outcome of each line at a real station without radio, with an open visit."""
    station = Station(config)
    running = asyncio.create_task(station.run())
    await station.started.wait()
    try:
        line = yield "started"
        while True:
            command = parse_json_object(line)
            if not isinstance(command.get("id"), int):
                line = yield RefusedError("no command")
                continue
            result = await station.result_of(command)  # type: ignore[arg-type]  # a mutant of one
            try:
                outcome: object = _outcome(result)
            except RefusedError as refusal:
                outcome = refusal
            if command.get("command") == CommandName.CLOSE_VISIT:
                begin = Command(command=CommandName.BEGIN_VISIT, site="Mill Lane bakery", unit="Condenser 1")  # type: ignore[typeddict-item]
                await station.result_of(begin)
            line = yield outcome
    finally:
        station.stop()
        await running


async def _sockets(folder: Path) -> Any:
    """Yield the outcome of each line through the server's socket: every one gets its reply."""

    async def carry_out(_command: Command) -> CommandResult:
        return CommandResult()

    async with LinkServer(folder, "van", "1", carry_out):
        reader, writer = await asyncio.open_unix_connection(str(socket_path(folder)), limit=LONGEST_LINE)
        await reader.readline()
        try:
            line = yield "connected"
            while True:
                writer.write(line.replace(b"\n", b" ") + b"\n")
                if line.isspace() or not line:
                    line = yield RefusedError("blank")
                    continue
                reply = json.loads(await reader.readline())
                line = yield RefusedError("no command") if reply["exit_code"] else "answered"
        finally:
            writer.close()
            await writer.wait_closed()

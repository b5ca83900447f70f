"""The table of commands: complete, checked in one place, with an error for every misuse."""

import inspect
from typing import Any
from unittest.mock import Mock

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.errors import InputError
from meterlink.core.questions import Choice, OpenQuestionError, Question
from meterlink.link.messages import Command, CommandName, CommandResult
from meterlink.link.teach_line import parse_teach_line
from meterlink.station.assignment import Assignment
from meterlink.station.commands import Argument, CommandRow, CommandTable, command_rows
from meterlink.station.decoding_commands import DecodingCommands
from meterlink.station.meter_commands import MeterCommands
from meterlink.station.meter_fact_commands import MeterFactCommands
from meterlink.station.outbox_commands import OutboxCommands
from meterlink.station.place_commands import PlaceCommands
from meterlink.station.repair_commands import RepairCommands
from meterlink.station.seal_commands import SealCommands
from meterlink.station.status import StationStatus
from meterlink.station.teaching import Teaching
from meterlink.station.thinning_commands import ThinningCommands
from meterlink.station.visit_commands import VisitCommands
from meterlink.station.visit_desk import VisitDesk

CLASSES: Any = (
    VisitCommands,
    Assignment,
    RepairCommands,
    VisitDesk,
    PlaceCommands,
    MeterCommands,
    MeterFactCommands,
)
NAMED: Any = {
    "decoding": DecodingCommands,
    "outbox": OutboxCommands,
    "seals": SealCommands,
    "status": StationStatus,
    "thinning": ThinningCommands,
    "teaching": Teaching,
}
ROWS = command_rows(
    *(Mock(spec=handlers) for handlers in CLASSES), **{name: Mock(spec=handlers) for name, handlers in NAMED.items()}
)
ROWS_OF_CLASSES = command_rows(*CLASSES, **NAMED)
POINTS = {"herm": Mock(name="herm"), "fan": Mock(name="fan")}


def find_point(key: str) -> Any:
    if key not in POINTS:
        raise InputError(f"There is no test point {key!r}.", "Use another.")
    return POINTS[key]


class Recorder:
    """A table with the shipped names and arguments, whose handlers record their calls and return 7."""

    def __init__(self) -> None:
        self.calls: list[tuple[CommandName, dict[str, Any]]] = []
        self.done = 0
        self.table = CommandTable([self._row(row) for row in ROWS], find_point, self._count)

    def _count(self) -> None:
        self.done += 1

    def _row(self, row: CommandRow) -> CommandRow:
        async def handle(**arguments: Any) -> int:
            self.calls.append((row.name, arguments))
            return 7

        return CommandRow(row.name, handle, row.required, row.optional)


def test_every_command_has_one_row() -> None:
    assert sorted(row.name for row in ROWS) == sorted(CommandName)


def test_every_argument_is_a_field_of_a_command() -> None:
    assert {str(argument) for argument in Argument} == Command.__annotations__.keys() - {"id", "command"}


@pytest.mark.parametrize("row", ROWS_OF_CLASSES, ids=lambda row: row.name)
def test_a_handler_takes_the_arguments_of_its_row(row: CommandRow) -> None:
    assert inspect.iscoroutinefunction(row.handler)
    taken = list(inspect.signature(row.handler).parameters)[1:]  # after self
    assert sorted(taken) == sorted([*row.required, *row.optional])


async def test_arguments_get_their_types() -> None:
    recorder = Recorder()
    command = {"id": 1, "command": "enter", "point": "fan", "text": "4.70 uF"}
    assert await recorder.table.execute(command) == CommandResult("", 7)
    assert await recorder.table.execute({"id": 2, "command": "enter", "text": "4.70 uF"}) == CommandResult("", 7)
    assert await recorder.table.execute({"id": 2, "command": "enter", "text": "", "point": ""}) == CommandResult("", 7)
    assert await recorder.table.execute(
        {"id": 3, "command": "teach_entry", "meter": "Alder", "text": "4.70 uF", "typed_ms": 0}
    ) == CommandResult("", 7)
    assert await recorder.table.execute(
        {"id": 4, "command": "teach_entry", "meter": "Alder", "text": "1 V"}
    ) == CommandResult("", 7)
    assert recorder.calls == [
        (CommandName.ENTER, {"point": POINTS["fan"], "text": "4.70 uF"}),
        (CommandName.ENTER, {"point": None, "text": "4.70 uF"}),
        (CommandName.ENTER, {"point": None, "text": ""}),
        (CommandName.TEACH_ENTRY, {"meter": "Alder", "text": "4.70 uF", "typed_ms": 0}),
        (CommandName.TEACH_ENTRY, {"meter": "Alder", "text": "1 V", "typed_ms": 0}),
    ]
    assert recorder.done == 5


@pytest.mark.parametrize(
    ("command", "error"),
    [
        ({"command": "dance"}, "There is no command 'dance'. Use one of: activate, next, "),
        ({"command": ["next"]}, "There is no command ['next']."),
        ({}, "There is no command None."),
        ({"command": "activate"}, "The command activate needs a point. Its arguments: point."),
        ({"command": "activate", "point": "nowhere"}, "There is no test point 'nowhere'. Use another."),
        ({"command": "activate", "point": ""}, "There is no test point ''. Use another."),
        ({"command": "activate", "point": 3}, "The command activate cannot use 3 as its point."),
        ({"command": "next", "point": "fan"}, "The command next has no point. It has no arguments."),
        ({"command": "pin", "meter": "", "point": "fan"}, "The command pin cannot use '' as its meter."),
        ({"command": "set_rating", "point": "fan"}, "The command set_rating needs a text."),
        (
            {"command": "teach_entry", "meter": "A", "text": "1 V", "typed_ms": -1},
            "The command teach_entry cannot use -1 as its typed_ms.",
        ),
        (
            {"command": "teach_entry", "meter": "A", "text": "1 V", "typed_ms": True},
            "The command teach_entry cannot use True as its typed_ms.",
        ),
        (
            {"command": "teach_entry", "meter": "A", "text": "1 V", "typed_ms": "3"},
            "Its arguments: meter, text, [typed_ms].",
        ),
        (
            {"command": "teach_entry", "meter": "A", "text": "1 V", "typed_ms": 10**30},
            "teach_entry cannot use 10000000000000",
        ),
    ],
)
async def test_a_misuse_is_an_error_and_reaches_no_handler(command: dict[str, Any], error: str) -> None:
    recorder = Recorder()
    result = await recorder.table.execute({"id": 1} | command)
    assert error in result.error
    assert result.accepted is None
    assert recorder.calls == []
    assert recorder.done == 0


async def test_a_handlers_error_is_the_reply() -> None:
    async def refuse() -> None:
        raise InputError("Not now.", "Try later.")

    table = CommandTable([CommandRow(CommandName.NEXT, refuse)], find_point, pytest.fail)
    assert await table.execute({"id": 1, "command": "next"}) == CommandResult("Not now. Try later.", exit_code=2)


async def test_a_text_with_several_meanings_has_its_question_in_the_reply() -> None:
    async def ask() -> None:
        raise OpenQuestionError(Question("Start or run?", (Choice("start", "", 1), Choice("run", "", 2)), "run"))

    table = CommandTable([CommandRow(CommandName.NEXT, ask)], find_point, pytest.fail)
    result = await table.execute({"id": 1, "command": "next"})
    assert result.error == "Start or run? Is it 'start' or 'run'?"
    assert result.question == {
        "question": "Start or run?",
        "choices": [{"key": "start", "words": ""}, {"key": "run", "words": ""}],
        "usual": "run",
    }


_VALUES = st.one_of(st.none(), st.booleans(), st.integers(), st.text(max_size=5), st.lists(st.integers()))


@given(
    st.dictionaries(st.sampled_from([*Argument, "id", "else"]), _VALUES),
    st.one_of(_VALUES, st.sampled_from(list(CommandName))),
)
async def test_no_command_is_too_strange_for_the_table(fields: dict[str, Any], name: Any) -> None:
    recorder = Recorder()
    result = await recorder.table.execute(fields | {"command": name})
    assert bool(result.error) is not bool(recorder.calls)


@pytest.mark.parametrize(
    ("line", "command"),
    [
        ("4.70 uF", (CommandName.TEACH_ENTRY, {"text": "4.70 uF"})),
        (" -0.31 mV ", (CommandName.TEACH_ENTRY, {"text": "-0.31 mV"})),
        ("done", (CommandName.TEACH_DONE, {})),
        ("Stop", (CommandName.TEACH_STOP, {})),
        ("drop", (CommandName.TEACH_DROP, {})),
        ("drop 3", (CommandName.TEACH_DROP, {"text": "3"})),
        ("Drop 3, 7", (CommandName.TEACH_DROP, {"text": "3 7"})),
        ("drop last", (CommandName.TEACH_DROP, {"text": "last"})),  # refused by the station in words of its own
        ("WRITE fff2=a501", (CommandName.TEACH_WRITE, {"text": "fff2=a501"})),
        ("write", (CommandName.TEACH_WRITE, {})),
        ("read fff4", (CommandName.TEACH_READ, {"text": "fff4"})),
        ("dropped 3", (CommandName.TEACH_ENTRY, {"text": "dropped 3"})),
    ],
)
def test_a_typed_line_becomes_a_command(line: str, command: tuple[CommandName, dict[str, Any]]) -> None:
    assert parse_teach_line(line) == command


@given(st.text())
def test_every_typed_line_is_a_command_with_its_arguments(line: str) -> None:
    name, arguments = parse_teach_line(line)
    row = next(row for row in ROWS if row.name is name)
    assert arguments.keys() <= {*row.required, *row.optional}


async def test_a_handlers_object_is_the_data_of_the_reply() -> None:
    async def begin() -> dict[str, object]:
        return {"visit": "7f3a"}

    table = CommandTable([CommandRow(CommandName.NEXT, begin)], find_point, lambda: None)
    assert await table.execute({"id": 1, "command": "next"}) == CommandResult(data={"visit": "7f3a"})

"""All commands of watchers in one table, and the check of their arguments."""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeGuard

from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError, MeterlinkError
from meterlink.core.questions import OpenQuestionError
from meterlink.core.text import without_controls
from meterlink.link.messages import CommandName, CommandResult, question_view
from meterlink.station.assignment import Assignment
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

# Half of what a column of the database holds, so that a time and a duration, or two counts, can be added: in ns since
# 1970 it is the year 2116.
_LARGEST_NUMBER = 2**62
_LONGEST_ECHO = 80  # characters of a wrong value in its error; the reader knows it from its beginning


class Argument(StrEnum):
    """An argument of a command, by its field in `meterlink.link.messages.Command`."""

    POINT = "point"  # the key of a test point of the visit; the handler gets the `TestPoint`, None if it is left out
    METER = "meter"  # an address or a name, never empty
    TEXT = "text"  # empty if it is left out
    SITE = "site"
    UNIT = "unit"
    PLAN = "plan"
    TECHNICIAN = "technician"
    JOB = "job"
    VISIT = "visit"  # the uid of a visit
    UID = "uid"  # of an accepted reading, or of a message; or its beginning
    OUTCOME = "outcome"
    READING = "reading"  # the id of an accepted reading from 1; the handler gets 0 if it is left out
    QUESTION = "question"  # the key of a question of the plan; empty if it is left out
    SOURCE = "source"
    KIND = "kind"
    PART = "part"
    COUNT = "count"  # a number from 0
    PLACE = "place"
    NOTE = "note"
    POWER = "power"
    COVERS = "covers"
    TO_SITE = "to_site"
    TO_UNIT = "to_unit"
    FACT = "fact"
    SINCE = "since_utc_ns"  # ns since 1970 UTC
    UNTIL = "until_utc_ns"
    PARTS = "parts"  # a list of objects
    TYPED = "typed_ms"  # ms since the first key of a typed text; the handler gets 0 if it is left out
    AFTER = "after_id"  # a row id, 0 for the beginning
    ANSWER = "answer"  # the key or the number of a choice; empty if it is left out


_OPTIONAL_NUMBERS = {Argument.READING: 1, Argument.TYPED: 0}  # the least of each; 0 if it is left out


@dataclass(frozen=True, slots=True)
class CommandRow:
    """One command. ``handler`` gets the arguments by keyword.

    It returns the number of an accepted reading, or an object for JSON, or nothing.
    """

    name: CommandName
    handler: Callable[..., Awaitable[int | Mapping[str, object] | None]]
    required: tuple[Argument, ...] = ()
    optional: tuple[Argument, ...] = ()


def command_rows(
    visit: VisitCommands,
    assignment: Assignment,
    repairs: RepairCommands,
    desk: VisitDesk,
    places: PlaceCommands,
    meters: MeterCommands,
    facts: MeterFactCommands,
    *,
    decoding: DecodingCommands,
    outbox: OutboxCommands,
    seals: SealCommands,
    status: StationStatus,
    thinning: ThinningCommands,
    teaching: Teaching,
) -> tuple[CommandRow, ...]:
    """Return the table of all commands."""
    point, meter, text = Argument.POINT, Argument.METER, Argument.TEXT
    site, unit, to_site, to_unit = Argument.SITE, Argument.UNIT, Argument.TO_SITE, Argument.TO_UNIT
    reading, question, answer = Argument.READING, Argument.QUESTION, Argument.ANSWER
    return (
        CommandRow(CommandName.ACTIVATE, visit.activate, (point,)),
        CommandRow(CommandName.NEXT, visit.next),
        CommandRow(CommandName.PREVIOUS, visit.previous),
        CommandRow(CommandName.REPEAT, visit.repeat),
        CommandRow(CommandName.ACCEPT, visit.accept),
        CommandRow(CommandName.SET_RATING, visit.set_rating, (point, text)),
        CommandRow(CommandName.CHECK_RATING, visit.check_rating, (point, text)),
        CommandRow(CommandName.ANSWER, visit.answer, (answer,), (reading, question)),
        CommandRow(CommandName.ENTER, visit.enter, (text,), (point,)),
        CommandRow(CommandName.LIST_VISITS, desk.list_visits),
        CommandRow(
            CommandName.BEGIN_VISIT,
            desk.begin,
            (Argument.SITE, Argument.UNIT),
            (Argument.PLAN, Argument.TECHNICIAN, Argument.JOB),
        ),
        CommandRow(CommandName.SWITCH_VISIT, desk.switch, (Argument.VISIT,)),
        CommandRow(CommandName.PAUSE_VISIT, desk.pause),
        CommandRow(CommandName.CLOSE_VISIT, desk.close, (Argument.OUTCOME,), (Argument.POWER, Argument.COVERS)),
        CommandRow(CommandName.NOTE, desk.note, (text,)),
        CommandRow(CommandName.PROVE, visit.prove, (), (text,)),
        CommandRow(CommandName.VOID, visit.void, (Argument.UID, text)),
        CommandRow(CommandName.UNVOID, visit.unvoid, (Argument.UID,)),
        CommandRow(CommandName.SKIP, desk.skip, (point, text)),
        CommandRow(CommandName.REPLACE, repairs.replace, (point,), (text, answer, Argument.SOURCE)),
        CommandRow(CommandName.UNDO_REPLACEMENT, repairs.undo, (point,)),
        CommandRow(
            CommandName.ADD_STOCK,
            repairs.add_stock,
            (Argument.KIND, text, Argument.COUNT),
            (Argument.PART, Argument.PLACE, Argument.NOTE),
        ),
        CommandRow(CommandName.RECEIVE_STOCK, repairs.receive_stock, (Argument.PARTS,)),
        CommandRow(CommandName.SET_LOW_MARK, repairs.set_low_mark, (text, Argument.COUNT), (Argument.PART,)),
        CommandRow(CommandName.ASSIGN, assignment.assign, (point, Argument.SINCE, Argument.UNTIL), (meter,)),
        CommandRow(CommandName.MOVE_VISIT, places.move_visit, (site, unit), (Argument.VISIT,)),
        CommandRow(CommandName.RENAME_SITE, places.rename_site, (site, to_site)),
        CommandRow(CommandName.RENAME_UNIT, places.rename_unit, (site, unit, to_unit)),
        CommandRow(CommandName.MERGE_SITES, places.merge_sites, (site, to_site)),
        CommandRow(CommandName.MERGE_UNITS, places.merge_units, (site, unit, to_unit), (to_site,)),
        CommandRow(CommandName.ARCHIVE_UNIT, places.archive_unit, (site, unit)),
        CommandRow(CommandName.RESTORE_UNIT, places.restore_unit, (site, unit)),
        CommandRow(CommandName.SHOW_UNIT, places.show_unit),
        CommandRow(CommandName.SET_FACT, places.set_fact, (site, unit, Argument.FACT), (text,)),
        CommandRow(CommandName.REPLACE_KEY, seals.replace_key, (), (text,)),
        CommandRow(CommandName.SET_SITE_FACT, places.set_site_fact, (site, Argument.FACT), (text,)),
        CommandRow(CommandName.FORGET_SITE, places.forget_site, (site,), (text,)),
        CommandRow(CommandName.FORGET_VISIT, places.forget_visit, (Argument.VISIT,)),
        CommandRow(CommandName.RETRY_MESSAGES, outbox.retry, (), (Argument.UID,)),
        CommandRow(CommandName.DELETE_MESSAGES, outbox.delete, (Argument.UNTIL,), (Argument.UID,)),
        CommandRow(CommandName.PUBLISH_NOW, outbox.publish),
        CommandRow(CommandName.FIND, meters.find, (), (text,)),
        CommandRow(CommandName.DISCOVER_SERVICES, meters.discover_services, (meter,)),
        CommandRow(CommandName.BIND, meters.bind, (meter,), (text,)),
        CommandRow(CommandName.UNBIND, meters.unbind, (meter,)),
        CommandRow(CommandName.CHANGE_ADDRESS, meters.change_address, (meter, text)),
        CommandRow(CommandName.LIST_METERS, facts.list_meters),
        CommandRow(CommandName.NAME_METER, facts.name, (meter, text)),
        CommandRow(CommandName.PIN, facts.pin, (meter,), (point,)),
        CommandRow(CommandName.SET_DRIVER, facts.set_driver, (meter, text)),
        CommandRow(CommandName.SET_ACCURACY, facts.set_accuracy, (meter, text)),
        CommandRow(CommandName.SET_CALIBRATION, facts.set_calibration, (meter, text)),
        CommandRow(CommandName.THIN, thinning.thin, (Argument.UID, Argument.UNTIL, Argument.AFTER)),
        CommandRow(
            CommandName.DECODE_AGAIN,
            decoding.decode_again,
            (meter, Argument.SINCE),
            (text, Argument.TECHNICIAN),
        ),
        CommandRow(CommandName.STATUS, status.status),
        CommandRow(CommandName.TEACH, teaching.begin, (meter,)),
        CommandRow(CommandName.TEACH_ENTRY, teaching.add_entry, (meter, text), (Argument.TYPED,)),
        CommandRow(CommandName.TEACH_DROP, teaching.drop_entries, (meter,), (text,)),
        CommandRow(CommandName.TEACH_WRITE, teaching.add_write, (meter,), (text,)),
        CommandRow(CommandName.TEACH_READ, teaching.add_read, (meter,), (text,)),
        CommandRow(CommandName.TEACH_DONE, teaching.write_profile, (meter,)),
        CommandRow(CommandName.TEACH_STOP, teaching.stop, (meter,)),
    )


class CommandTable:
    """Carries out the commands of ``rows``.

    ``find_point`` returns the test point of a key, or raises InputError. ``on_done`` is called after every command that
    was carried out.
    """

    def __init__(
        self, rows: Sequence[CommandRow], find_point: Callable[[str], TestPoint], on_done: Callable[[], None]
    ) -> None:
        self._rows = {row.name: row for row in rows}
        self._find_point = find_point
        self._on_done = on_done

    async def execute(self, command: Mapping[str, object]) -> CommandResult:
        """Carry out a watcher's command, whose fields may be of any type; return its result."""
        try:
            row = self._row(command)
            result = await row.handler(**self._arguments(row, command))
        except OpenQuestionError as error:
            return CommandResult(str(error), question=question_view(error.question), exit_code=error.exit_code)
        except MeterlinkError as error:
            return CommandResult(str(error), exit_code=error.exit_code)
        self._on_done()
        if isinstance(result, Mapping):
            return CommandResult(data=dict(result))
        return CommandResult(accepted=result)

    def _row(self, command: Mapping[str, object]) -> CommandRow:
        name = command.get("command")
        row = next((row for row in self._rows.values() if row.name == name), None)
        if row is None:
            raise InputError(f"There is no command {_echo(name)}.", f"Use one of: {', '.join(self._rows)}.")
        return row

    def _arguments(self, row: CommandRow, command: Mapping[str, object]) -> dict[str, object]:
        """Return the arguments for the row's handler.

        Raises:
            InputError: an argument is missing, of another type, not the command's, or no test point of the visit.
        """
        accepted = (*row.required, *row.optional)
        if unknown := [argument for argument in Argument if argument in command and argument not in accepted]:
            raise InputError(f"The command {row.name} has no {unknown[0]}.", _usage(row))
        if missing := [argument for argument in row.required if argument not in command]:
            raise InputError(f"The command {row.name} needs a {missing[0]}.", _usage(row))
        return {str(argument): self._value(argument, command.get(argument), row) for argument in accepted}

    def _value(self, argument: Argument, value: object, row: CommandRow) -> object:
        if argument in {Argument.COUNT, Argument.SINCE, Argument.UNTIL, Argument.AFTER}:
            if _is_number(value, 0):
                return value
        elif argument is Argument.PARTS:
            if _is_list_of_objects(value):
                return [_clean_object(entry) for entry in value]
        elif argument in _OPTIONAL_NUMBERS:
            if value is None or _is_number(value, _OPTIONAL_NUMBERS[argument]):
                return value or 0
        elif value is None or isinstance(value, str):
            text = without_controls(value or "")
            if argument is Argument.POINT:
                return self._find_point(text) if text or argument in row.required else None
            if text or argument is not Argument.METER or argument not in row.required:
                return text
        raise InputError(f"The command {row.name} cannot use {_echo(value)} as its {argument}.", _usage(row))


def _echo(value: object) -> str:
    text = repr(value)
    return text if len(text) <= _LONGEST_ECHO else f"{text[:_LONGEST_ECHO]}…"


def _is_number(value: object, least: int) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and least <= value <= _LARGEST_NUMBER


def _clean_object(entry: Mapping[str, object]) -> dict[str, object]:
    """Return an object whose texts have no control characters; it nests no others."""
    return {key: without_controls(value) if isinstance(value, str) else value for key, value in entry.items()}


def _is_list_of_objects(value: object) -> TypeGuard[list[Mapping[str, object]]]:
    return isinstance(value, list) and all(isinstance(entry, Mapping) for entry in value)


def _usage(row: CommandRow) -> str:
    arguments = [*row.required, *(f"[{argument}]" for argument in row.optional)]
    return f"Its arguments: {', '.join(arguments)}." if arguments else "It has no arguments."

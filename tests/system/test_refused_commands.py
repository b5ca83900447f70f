"""A command that is refused for its content is an answer to its sender, and no error of the log."""

import logging
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.equipment import Meter
from meterlink.link.messages import CommandName
from meterlink.settings import DATABASE_FILE
from meterlink.station.commands import Argument, CommandRow
from meterlink.station.station import Station
from support.hostile_lines import ROWS
from support.virtual_stations import at_station, run_at_station
from support.writers import running_writer

OUTER = 100  # s
ALDER, BIRCH = Meter("00:00:5E:00:53:0A", "Alder"), Meter("00:00:5E:00:53:0B", "Birch")
PLACE = {"site": "Mill Lane bakery", "unit": "condenser"}  # of `at_station`
UNKNOWN = "nowhere"
_NUMBERS = {
    Argument.COUNT,
    Argument.SINCE,
    Argument.UNTIL,
    Argument.AFTER,
    Argument.TYPED,
    Argument.READING,
}
# Values that a person may type: none that is known, known ones at the wrong place, numbers that no column holds.
_TEXTS: tuple[dict[Argument, str], ...] = (
    {},
    {Argument.METER: ALDER.address, Argument.TEXT: ALDER.address, Argument.SITE: PLACE["site"]},
    {
        Argument.METER: BIRCH.name,
        Argument.TEXT: ALDER.name,
        Argument.TO_SITE: PLACE["site"],
        Argument.SITE: PLACE["site"],
        Argument.UNIT: PLACE["unit"],
        Argument.TO_UNIT: PLACE["unit"],
    },
)
_COUNTS = (1, 10**30)
# A thing named must exist; these commands take a new name, too.
_NAMES = {Argument.POINT, Argument.METER, Argument.SITE, Argument.UNIT, Argument.VISIT, Argument.UID}
_MAKE_NEW = {CommandName.BEGIN_VISIT, CommandName.MOVE_VISIT, CommandName.THIN}
# They leave the visit, or make the unknown place known.
_LAST = {CommandName.BEGIN_VISIT, CommandName.MOVE_VISIT, CommandName.PAUSE_VISIT, CommandName.CLOSE_VISIT}


def commands(row: CommandRow, point: str) -> Iterator[dict[str, Any]]:
    """Yield calls of a command with and without its options; those of the first kind name only unknown things."""
    for known, number, arguments in product(_TEXTS, _COUNTS, (row.required, (*row.required, *row.optional))):
        call: dict[str, Any] = {"id": 1, "command": row.name}
        for argument in dict.fromkeys(arguments):
            if argument in _NUMBERS:
                call[argument] = number
            elif argument is Argument.PARTS:
                call[argument] = [{"part": UNKNOWN, "rating": UNKNOWN, "count": number}]
            elif argument is Argument.POINT:
                call[argument] = point if known else UNKNOWN
            else:
                call[argument] = known.get(argument, UNKNOWN)
        yield call


def names_nothing(row: CommandRow, call: dict[str, Any]) -> bool:
    return row.name not in _MAKE_NEW and any(call[name] == UNKNOWN for name in _NAMES & set(row.required))


def test_no_command_can_be_refused_by_an_error_of_the_log(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Every command of the table, at a station with two bound meters and an open visit."""
    with running_writer(tmp_path / DATABASE_FILE) as writer:
        for meter in (ALDER, BIRCH):
            writer.bind(meter).result(OUTER)
    refused: set[CommandName] = set()

    async def body(station: Station, views: dict[str, Any]) -> None:
        point = views["visit"]["points"][0]["key"]
        for row in sorted(ROWS, key=lambda row: row.name in _LAST):
            for call in commands(row, point):
                result = await station.result_of(call)  # type: ignore[arg-type]
                if result.error:
                    refused.add(row.name)
                assert result.error or not names_nothing(row, call), call

    with caplog.at_level(logging.WARNING):
        at_station(tmp_path, body)
    assert [record.getMessage() for record in caplog.records if record.levelno >= logging.ERROR] == []
    assert refused >= {row.name for row in ROWS if _NAMES & set(row.required)} - _MAKE_NEW


def test_a_misspelt_meter_gets_the_nearest_name(tmp_path: Path) -> None:
    with running_writer(tmp_path / DATABASE_FILE) as writer:
        writer.bind(ALDER).result(OUTER)

    async def body(station: Station, _views: dict[str, Any]) -> None:
        for name, remedy in (("Aldr", "Did you mean Alder?"), ("Q", "See the bound ones: meterlink find")):
            error = await station.execute({"id": 1, "command": "unbind", "meter": name})  # type: ignore[typeddict-item]
            assert error == f"No meter is bound to {name}. {remedy}"

    run_at_station(tmp_path, body)

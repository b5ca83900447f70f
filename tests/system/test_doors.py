"""Every door by which a text enters: no character that controls a terminal or a screen comes through.

Each row of `DOORS` lets the same hostile text in at one door and returns the texts that are kept afterwards.
"""

import json
import shutil
import sqlite3
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from meterlink.ble.scanner import to_advertisement
from meterlink.capture.capture_file import parse_capture
from meterlink.core.equipment import Meter
from meterlink.core.errors import InputError, MeterlinkError
from meterlink.core.text import without_controls
from meterlink.link.messages import Command, CommandName, CommandResult
from meterlink.plans.parser import load_plan
from meterlink.settings import DATABASE_FILE, load_settings, load_stock
from meterlink.station.commands import Argument
from meterlink.station.station import Station
from meterlink.store.merge import merge_file
from support.commands import run_command
from support.hostile_lines import ROWS
from support.kept_records import keep_record
from support.virtual_stations import at_station
from support.writers import running_writer

# Escape sequences of a terminal (7 and 8 bits), a change of direction, markup of a screen library, a bell, a line end.
HOSTILE = "a\x1b[2Jb\x9b2Jc\u202ed[@click=app.quit]e\x07g\u2066h\ri"
OLD = "00:00:5E:00:53:0A"


def controls(text: str) -> str:
    """Return the characters of a text that may control a terminal; a text of several lines keeps their ends."""
    return "".join(char for char in text if unicodedata.category(char)[0] == "C" and char not in "\n\t")


def texts_of(value: object) -> Iterator[str]:
    """Yield the texts in a value of JSON, or in fields of an object."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, entry in value.items():
            yield from texts_of(key)
            yield from texts_of(entry)
    elif isinstance(value, (list, tuple)):
        for entry in value:
            yield from texts_of(entry)
    else:
        for name in getattr(type(value), "__slots__", ()):
            yield from texts_of(getattr(value, name))


def texts_of_database(path: Path) -> Iterator[str]:
    with closing(sqlite3.connect(path)) as connection:
        for (table,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
            for row in connection.execute(f'SELECT * FROM "{table}"'):  # noqa: S608  # its own names
                yield from texts_of(row)


def advertisement(_folder: Path) -> Iterator[str]:
    device = SimpleNamespace(name=HOSTILE, address=OLD)
    data = SimpleNamespace(local_name=HOSTILE, service_uuids=[], manufacturer_data={}, service_data={}, rssi=-60)
    yield to_advertisement(cast("Any", device), cast("Any", data)).name


def socket_commands(folder: Path) -> Iterator[str]:
    """Send every command with hostile texts, then with right ones where a text needs to be right."""
    seen: list[object] = []

    async def send_all(station: Station, views: dict[str, Any]) -> None:
        for row in ROWS:
            arguments: dict[str, object] = dict.fromkeys((*row.required, *row.optional), HOSTILE)
            for number in (Argument.COUNT, Argument.SINCE, Argument.UNTIL, Argument.AFTER):
                if number in arguments:
                    arguments[number] = 1
            for known in (Argument.POINT, Argument.TYPED, Argument.READING, Argument.ANSWER, Argument.PLAN):
                arguments.pop(known, None)
            if Argument.PARTS in arguments:
                arguments[Argument.PARTS] = [{"part": "capacitor", "text": "45 uF", "count": 1, "place": HOSTILE}]
            if row.name in {CommandName.CLOSE_VISIT, CommandName.PAUSE_VISIT}:
                continue  # the others need the visit
            command = {str(name): value for name, value in arguments.items()} | {"id": 1, "command": row.name}
            seen.append(await station.result_of(cast("Command", command)))
        commands: tuple[dict[str, object], ...] = (
            {"command": CommandName.ADD_STOCK, "kind": "received", "part": "capacitor", "text": "45 uF", "count": 2,
             "place": HOSTILE, "note": HOSTILE},
            {"command": CommandName.SET_FACT, "site": "Mill Lane bakery", "unit": "condenser", "fact": "serial",
             "text": HOSTILE},
            {"command": CommandName.SET_SITE_FACT, "site": "Mill Lane bakery", "fact": "customer", "text": HOSTILE},
            {"command": CommandName.RENAME_SITE, "site": "Mill Lane bakery", "to_site": HOSTILE},
            {"command": HOSTILE},
        )  # fmt: skip
        seen.extend([await station.result_of(cast("Command", command | {"id": 1})) for command in commands])
        seen.append(views)

    at_station(folder, send_all)
    for result in seen:
        yield from texts_of(tuple(result) if isinstance(result, tuple) else result)
    kept = list(texts_of_database(folder / DATABASE_FILE))
    assert any("click=app.quit" in text for text in kept), "nothing of it was kept: the test proves nothing"
    yield from kept


def new_address(folder: Path) -> Iterator[str]:
    with running_writer(folder / DATABASE_FILE) as writer:
        writer.bind(Meter(OLD, "clamp meter", "presented"), name_given=True).result(60)
    results: list[CommandResult] = []

    async def change(station: Station, _views: dict[str, Any]) -> None:
        for text in (HOSTILE, "\x1b"):
            command = {"id": 1, "command": CommandName.CHANGE_ADDRESS, "meter": OLD, "text": text}
            results.append(await station.result_of(cast("Command", command)))

    at_station(folder, change)
    assert [bool(result.error) for result in results] == [False, True]
    yield from (result.error for result in results)
    kept = list(texts_of_database(folder / DATABASE_FILE))
    assert any("click=app.quit" in text for text in kept), "nothing of it was kept: the test proves nothing"
    yield from kept


def typed_names(folder: Path) -> Iterator[str]:
    """Type each name at a terminal; the station of the command keeps it."""
    begin = ("visit", "begin", "--site", HOSTILE, "--unit", HOSTILE, "--technician", HOSTILE, "--job", HOSTILE)
    for args in (
        (*begin, "--plan", "split-condenser"),
        ("visit", "note", HOSTILE),
        ("visit", "skip", "run-capacitor-herm", HOSTILE),
        ("site", "show", HOSTILE),
        ("meter", "name", HOSTILE, HOSTILE),
        ("history",),
        ("visit", "list"),
    ):
        _, out, err = run_command(*args, "--data", str(folder))
        yield from (out, err)
    yield from texts_of_database(folder / DATABASE_FILE)


def _toml(text: str) -> str:
    return json.dumps(text)  # its escapes are those of a basic string of TOML


def settings_file(folder: Path) -> Iterator[str]:
    (folder / "settings.toml").write_text(
        f'station = {_toml(HOSTILE)}\n[[meter]]\naddress = "{OLD}"\nname = {_toml(HOSTILE)}\n'
        f"certificate = {_toml(HOSTILE)}\n[firm]\nname = {_toml(HOSTILE)}\naddress = {_toml(HOSTILE)}\n"
    )
    settings = load_settings(folder)
    yield from (settings.station, settings.meters[0].name, settings.firm.name)
    yield from texts_of(settings)


def settings_of_the_broker(folder: Path) -> Iterator[str]:
    for key in ("host", "username", "password_file", "ca_file", "certificate_file"):
        fields = {"host": '"broker.example"', "username": '"van"', key: _toml(HOSTILE)}
        lines = "\n".join(f"{name} = {value}" for name, value in fields.items())
        (folder / "settings.toml").write_text(f"[mqtt]\n{lines}\n")
        try:
            yield from texts_of(load_settings(folder).mqtt)
        except MeterlinkError as error:
            yield str(error)


def stock_file(folder: Path) -> Iterator[str]:
    (folder / "stock.toml").write_text(f'[[capacitor]]\nrated = "45 uF"\nvolts = 440\nname = {_toml(HOSTILE)}\n')
    try:
        yield from texts_of(load_stock(folder))
    except MeterlinkError as error:
        yield str(error)


def plan_file(folder: Path) -> Iterator[str]:
    path = folder / "plan.toml"
    path.write_text(
        f'plan = {_toml(HOSTILE)}\n[[point]]\nkey = "a"\ncircuit = {_toml(HOSTILE)}\ncomponent = {_toml(HOSTILE)}\n'
        f'quantity = "resistance"\nterminals = [{_toml(HOSTILE)}, "B"]\ntitle = {_toml(HOSTILE)}\n'
    )
    try:
        yield from texts_of(load_plan(str(path)))
    except MeterlinkError as error:
        yield str(error)


def profile_file(folder: Path) -> Iterator[str]:
    path = folder / "meter.toml"
    path.write_text(f"name = {_toml(HOSTILE)}\nchannel = {_toml(HOSTILE)}\n[match]\nnames = [{_toml(HOSTILE)}]\n")
    _, out, err = run_command("profile", "check", str(path))
    yield from (out, err)


def capture_file(_folder: Path) -> Iterator[str]:
    capture = parse_capture(json.dumps({"meter": {"name": HOSTILE, "services": []}}) + "\n", "capture")
    assert capture.meter is not None
    yield capture.meter.name
    try:
        parse_capture(json.dumps({"t": 1, "channel": HOSTILE, "hex": "00"}) + "\n", "capture")
    except InputError as error:
        yield str(error)


def hostile_database(path: Path) -> None:
    keep_record(path)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE meters SET name = ?", (HOSTILE,))
        connection.execute("UPDATE notes SET text = ?", (HOSTILE,))


def merged_database(folder: Path) -> Iterator[str]:
    other = folder / "other" / DATABASE_FILE
    other.parent.mkdir()
    hostile_database(other)
    keep_record(folder / DATABASE_FILE)
    with pytest.raises(InputError, match="control characters") as caught:
        merge_file(folder / DATABASE_FILE, other)
    yield str(caught.value)
    yield from texts_of_database(folder / DATABASE_FILE)


def imported_file(folder: Path) -> Iterator[str]:
    source = folder / "source"
    source.mkdir()
    hostile_database(source / DATABASE_FILE)
    file = folder / "export.jsonl"
    assert run_command("export", "--data", str(source), "-o", str(file)).status == 0
    assert "\\u001b" in file.read_text(encoding="utf-8")
    shutil.rmtree(source)
    status, out, err = run_command("import", str(file), "--data", str(folder))
    assert status == 2
    assert "control characters" in err
    yield from (out, err)


DOORS: tuple[Callable[[Path], Iterator[str]], ...] = (
    advertisement, socket_commands, new_address, typed_names, settings_file, settings_of_the_broker, stock_file,
    plan_file, profile_file, capture_file, merged_database, imported_file,
)  # fmt: skip


@pytest.mark.fault("hostile-names")
@pytest.mark.parametrize("door", DOORS, ids=lambda door: door.__name__)
def test_no_control_character_comes_through_a_door(tmp_path: Path, door: Callable[[Path], Iterator[str]]) -> None:
    texts = list(door(tmp_path))
    assert texts
    assert [text for text in texts if controls(text)] == []


def test_a_text_without_controls_keeps_its_lines_and_brackets() -> None:
    text = "2 % + 5 digits\n\t[60 uF] \N{GREEK SMALL LETTER MU}F"
    assert without_controls(text) == text
    assert without_controls(HOSTILE) == "a[2Jb2Jcd[@click=app.quit]eghi"

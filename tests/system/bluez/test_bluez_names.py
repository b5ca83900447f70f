"""Names of hostile advertisers on a real BlueZ: they reach a terminal, a log and a file only cleaned."""

import json
import unicodedata

import pytest

from support.guest.marks import WHOLE
from support.guest.station_guest import StationGuest

# Markup, an escape sequence that clears the screen, as many bytes as a name can have (Core vol. 3 part C, 12.1), and a
# right-to-left override, which turns the text after it around.
NAMES = ("[/red][@click=app.quit]", "\x1b[2J\x1b]0;owned\x07", "m" * 248, "\u202emeter\u202c 1")


def is_control(character: str) -> bool:
    """Return whether a character is a control or format character: those that steer a terminal."""
    return unicodedata.category(character) in {"Cc", "Cf", "Cs", "Co"} and character != "\n"


@pytest.mark.fault("hostile-names")
@WHOLE
def test_hostile_names_are_listed_bound_read_and_logged_without_control_characters(guest: StationGuest) -> None:
    meters = [guest.add_meter(name, first_count=1000 * number) for number, name in enumerate(NAMES)]
    station = guest.add_station()
    listed = json.loads(station.call("find", "--seconds", "4", "--json"))
    names = {device["address"]: device["name"] for device in listed["devices"]}
    assert set(names) == {meter.address for meter in meters}
    assert not any(is_control(character) for name in names.values() for character in name), names
    assert names[meters[0].address] == "(/red)(@click=app.quit)"  # no brackets, so no markup
    table = station.call("find", "--seconds", "4")
    assert not any(map(is_control, table)), ascii(table)
    daemon = station.run(*meters)
    for meter in meters:
        station.first_reading(meter, after=0)
    assert daemon.end() == 0
    assert not any(map(is_control, daemon.log)), ascii(daemon.log)
    assert all(not is_control(character) for (name,) in station.rows("SELECT name FROM meters") for character in name)

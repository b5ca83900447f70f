"""A power cut in the middle of the work: the machine is reset while stations write readings from a real BlueZ."""

import pytest

from support.guest.machine import SHARED, GuestError
from support.guest.marks import WHOLE
from support.guest.station_guest import GuestStation, StationGuest, until

_ACKNOWLEDGED = 60  # readings before the reset: several batches, and a log that has grown


class WatchedStation:
    """A station with a meter, and the readings that it has acknowledged."""

    def __init__(self, guest: StationGuest, number: int, **env: str) -> None:
        self.meter = guest.add_meter(f"Meter {number}", rate=8.0, first_count=10_000 * number)
        self.station: GuestStation = guest.add_station()
        notes = f"{self.station.folder.name}-acknowledged"
        self._file = guest.machine.shared / notes
        module = "support.guest.acknowledging_station"
        self.station.run(self.meter, module=module, ACKNOWLEDGED=str(SHARED / notes), **env)

    def acknowledged(self) -> list[str]:
        """Return the packets in hex of the readings acknowledged until now; a line that was cut off does not count."""
        text = self._file.read_text() if self._file.exists() else ""
        return [packet for line in text.splitlines(keepends=True) if line.endswith("\n") for packet in line.split()]

    def lost(self) -> list[str]:
        """Return those that are not in the database: all of them where it cannot be read."""
        try:
            committed = set(self.station.packets(self.meter))
        except GuestError:
            committed = set()
        return [packet for packet in self.acknowledged() if packet not in committed]


@pytest.mark.fault("power-cut")
@WHOLE
def test_a_reset_loses_nothing_that_was_acknowledged(guest: StationGuest) -> None:
    """The negative control beside it is a station that does not wait for the disk: it loses, so the check can fail."""
    watched = WatchedStation(guest, 1)
    careless = WatchedStation(guest, 2, SYNCHRONOUS="OFF")
    for writing in (watched, careless):
        until(lambda writing=writing: len(writing.acknowledged()) >= _ACKNOWLEDGED, "acknowledged readings")  # type: ignore[misc]
    guest.reset()
    assert watched.lost() == []
    assert careless.lost() != []

    station = watched.station
    assert station.rows("PRAGMA integrity_check") == [["ok"]]
    assert station.rows("PRAGMA foreign_key_check") == []
    meter = guest.add_meter(watched.meter.name, address=watched.meter.address, first_count=90_000)
    started = guest.now()
    station.run(meter)
    station.first_reading(meter, after=started)

"""Watchers of a station on a real BlueZ: the dashboard in a terminal, and a broker."""

import json
import sys
from collections.abc import Iterator

import pytest

from support.guest.machine import GuestError
from support.guest.marks import WHOLE
from support.guest.station_guest import StationGuest, until
from support.mosquitto_broker import MOSQUITTO
from support.terminals import TMUX
from support.tools import skip_without_tool

_PORT = 1883  # the guest's own: nothing else listens there


class GuestTerminal:
    """A terminal of the guest."""

    def __init__(self, guest: StationGuest) -> None:
        assert TMUX is not None
        self._guest = guest
        self._tmux = (TMUX, "-u", "-S", "/run/tmux", "-f", "/dev/null")

    def run(self, *argv: str) -> None:
        """Start a program in it."""
        self._guest.run(*self._tmux, "new-session", "-d", "-x", "110", "-y", "34", *argv)

    def screen(self) -> str:
        """Return its text."""
        return self._guest.run(*self._tmux, "capture-pane", "-p")

    def until(self, text: str, *, gone: bool = False) -> None:
        """Wait until the screen has ``text``, or has it no more."""
        try:
            until(lambda: (text in self.screen()) != gone, f"'{text}' on the screen")
        except GuestError as error:
            raise GuestError(f"{error}\n{self.screen()}") from None

    def press(self, key: str) -> None:
        """Type a key."""
        self._guest.run(*self._tmux, "send-keys", key)

    def close(self) -> None:
        """End the terminal and its program; it may have ended."""
        self._guest.run("sh", "-c", f"{' '.join(self._tmux)} kill-server || true")


@pytest.fixture
def terminal(guest: StationGuest) -> Iterator[GuestTerminal]:
    if TMUX is None:
        skip_without_tool("tmux")
    terminal = GuestTerminal(guest)
    yield terminal
    terminal.close()


@pytest.mark.fault("link-lost")
@WHOLE
def test_the_dashboard_shows_the_verdict_the_lost_meter_and_that_it_is_back(
    guest: StationGuest, terminal: GuestTerminal
) -> None:
    meter = guest.add_meter("Meter One")
    meter.hold("11.42")
    station = guest.add_station()
    station.begin_visit()
    daemon = station.run(meter)
    terminal.run(sys.executable, "-m", "meterlink", "watch", "--data", str(station.folder))
    terminal.until("11.42 µF")
    terminal.until("OUTSIDE")
    meter.set_out_of_range(True)
    terminal.until("Not heard.")
    meter.set_out_of_range(False)
    terminal.until("Not heard.", gone=True)
    terminal.press("q")
    assert daemon.status() is None  # the daemon goes on
    assert daemon.end() == 0


def values(log: str) -> list[float]:
    """Return the capacitances of raw readings among the messages that a consumer printed, in F."""
    messages = [json.loads(line) for line in log.splitlines() if line.startswith("{")]
    packs = [message["payload"] for message in messages if "/readings/" in message["topic"]]
    return [record["v"] for pack in packs for record in pack if "v" in record and record.get("u") == "F"]


@WHOLE
def test_a_broker_gets_every_committed_reading_in_order(guest: StationGuest) -> None:
    if MOSQUITTO is None:
        skip_without_tool("mosquitto")
    station = guest.add_station(f'station = "van-3"\n[mqtt]\nhost = "127.0.0.1"\nport = {_PORT}\ntls = false\n')
    config = station.write(f"listener {_PORT} 127.0.0.1\nallow_anonymous true\nuser root\n", "mosquitto.conf")
    guest.start_program("mosquitto", MOSQUITTO, "-c", str(config)).until_logged("running")
    consumer = guest.start_module("consumer", "support.guest.message_collector", str(_PORT))
    consumer.until_logged("subscribed")
    meter = guest.add_meter("Meter One")
    daemon = station.run(meter)
    station.first_reading(meter, after=0)
    until(lambda: len(meter.sent()) >= 30, "30 readings sent")
    meter.set_muted(True)
    until(lambda: len(station.packets(meter)) == len(meter.sent()), "all committed")
    committed = [
        value for (value,) in station.rows("SELECT value FROM readings WHERE quantity = 'capacitance' ORDER BY id")
    ]
    until(lambda: len(values(consumer.log)) >= len(committed), "all published")
    assert values(consumer.log) == pytest.approx(committed)
    # A message of the station's own may still be on its way.
    until(lambda: station.rows("SELECT count(*) FROM outbox") == [[0]], "an empty outbox")
    assert daemon.end() == 0

"""Bluetooth itself goes away under a running station, on a real BlueZ: switched off, its service gone, pulled out.

One meter is read before; the other comes on the air afterwards, so only a scan that works finds it. The times are in
the summary of the run, beside the targets: said within 8 s, every meter read within 10 s. A person waits no longer
before doubting the program (common practice, no source). They count from the moment when BlueZ says that the adapter is
on.
"""

from collections.abc import Callable

import pytest

from support.guest.marks import WHOLE
from support.guest.station_guest import GuestMeter, GuestProcess, GuestStation, StationGuest, until

_SAID_TARGET, _READ_TARGET = 8, 10  # s
_TROUBLE = r"WARNING .*(Bluetooth|radio)"


class Outage:
    """A station with one meter that it reads, and one that is not there yet.

    `pass_through` takes Bluetooth away and gives it back.
    """

    def __init__(self, guest: StationGuest, figures: list[str]) -> None:
        self._guest = guest
        self._figures = figures
        self._meter: GuestMeter = guest.add_meter("Meter One")
        self._later: GuestMeter = guest.add_meter("Meter Two", first_count=5000)
        self._later.set_out_of_range(True)
        self._station: GuestStation = guest.add_station()
        self._daemon: GuestProcess = self._station.run(self._meter, self._later)
        self._station.first_reading(self._meter, after=0)

    def pass_through(self, what: str, seconds: int, begin: Callable[[], None], end: Callable[[], None]) -> None:
        """Wait until the outage has lasted ``seconds``, is over, and both meters are read."""
        gone = self._guest.now()
        begin()
        until(lambda: self._guest.now() >= gone + seconds, f"{what} for {seconds} s")
        end()
        self._guest.until_powered()
        back = self._guest.now()
        self._later.set_out_of_range(False)
        again, new = (self._station.first_reading(meter, after=back) - back for meter in (self._meter, self._later))
        said = self._daemon.logged_at(_TROUBLE, after=gone)
        said_text = "not said" if said is None else f"said after {said - gone:.1f} s"
        self._figures.append(
            f"{what} for {seconds} s: {said_text} (target {_SAID_TARGET}); after it is back, read again {again:.1f} s, "
            f"another meter found and read {new:.1f} s (target {_READ_TARGET})"
        )
        # A short outage may be over before anybody could be told.
        assert said is not None or seconds <= _SAID_TARGET, self._daemon.log
        assert self._daemon.status() is None


@pytest.fixture
def outage(guest: StationGuest, figures: list[str]) -> Outage:
    return Outage(guest, figures)


@pytest.mark.fault("adapter-off")
@pytest.mark.parametrize("seconds", [3, *(pytest.param(seconds, marks=WHOLE) for seconds in (8, 20, 75))])
def test_an_adapter_switched_off_and_on_is_said_and_its_meters_are_read_again(
    guest: StationGuest, outage: Outage, seconds: int
) -> None:
    outage.pass_through(
        "the adapter off", seconds, lambda: guest.switch_adapter(on=False), lambda: guest.switch_adapter(on=True)
    )


@pytest.mark.fault("service-restart")
@WHOLE
@pytest.mark.parametrize("seconds", [3, 20])
def test_a_bluetooth_service_that_starts_anew_is_said_and_its_meters_are_read_again(
    guest: StationGuest, outage: Outage, seconds: int
) -> None:
    outage.pass_through("the service gone", seconds, guest.stop_bluetooth_service, guest.start_bluetooth_service)


@pytest.mark.fault("adapter-gone")
@WHOLE
def test_an_adapter_that_is_pulled_out_is_said_and_its_meters_are_read_again(
    guest: StationGuest, outage: Outage
) -> None:
    outage.pass_through("the adapter pulled out", 20, guest.pull_adapter_out, guest.plug_adapter_in)

"""Links that break on a real BlueZ: dropped, out of range, mute, and left over from a killed daemon."""

import re
from signal import SIGKILL

import pytest

from support.guest.marks import WHOLE
from support.guest.station_guest import StationGuest, until


@pytest.mark.fault("link-lost")
def test_a_dropped_link_is_connected_again(guest: StationGuest, figures: list[str]) -> None:
    meter = guest.add_meter("Meter One")
    station = guest.add_station()
    daemon = station.run(meter)
    station.first_reading(meter, after=0)
    dropped = guest.now()
    meter.drop_connection()
    again = station.first_reading(meter, after=dropped + 0.1)
    figures.append(f"a dropped link: read again after {again - dropped:.1f} s")
    assert daemon.logged_at(re.escape(f"{meter.logged_name}: lost"), after=dropped - 0.1) is not None


@pytest.mark.fault("link-lost")
@WHOLE
def test_a_meter_out_of_range_is_said_and_read_again_when_it_is_back(guest: StationGuest, figures: list[str]) -> None:
    meter = guest.add_meter("Meter One")
    station = guest.add_station()
    daemon = station.run(meter)
    station.first_reading(meter, after=0)
    meter.set_out_of_range(True)
    daemon.until_logged(f"{meter.logged_name}: lost")
    daemon.until_logged("Not heard.", after_text=f"{meter.logged_name}: lost")
    back = guest.now()
    meter.set_out_of_range(False)
    figures.append(f"back in range: read again after {station.first_reading(meter, after=back) - back:.1f} s")


@pytest.mark.fault("silent-meter")
@WHOLE
def test_a_mute_meter_is_said_to_be_silent_and_read_again_when_it_speaks(guest: StationGuest) -> None:
    meter = guest.add_meter("Meter One")
    station = guest.add_station()
    daemon = station.run(meter)
    station.first_reading(meter, after=0)
    meter.set_muted(True)
    daemon.until_logged(f"{meter.logged_name}: silent")
    meter.set_muted(False)
    station.first_reading(meter, after=guest.now())


@pytest.mark.fault("link-left-behind")
def test_the_link_that_a_killed_daemon_left_is_adopted(guest: StationGuest, figures: list[str]) -> None:
    meter = guest.add_meter("Meter One")
    station = guest.add_station()
    daemon = station.run(meter)
    station.first_reading(meter, after=0)
    daemon.end(SIGKILL)
    assert guest.is_linked(meter)  # BlueZ keeps it, so the meter does not advertise
    started = guest.now()
    station.run(meter)
    figures.append(f"a killed daemon: read again after {station.first_reading(meter, after=started) - started:.1f} s")
    until(lambda: meter.connected, "the meter is connected")

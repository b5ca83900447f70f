"""Readings over a real BlueZ: from a meter on the air to a verdict, and nothing lost on the way."""

import pytest

from support.guest.station_guest import StationGuest, until


def test_a_meter_is_found_bound_and_read_and_its_reading_is_accepted_and_judged(guest: StationGuest) -> None:
    meter = guest.add_meter("Meter One")
    meter.hold("0.000")
    station = guest.add_station()
    assert f"Meter One  {meter.address}" in station.call("find", "--seconds", "3")
    assert "driver presented" in station.call("find", "--bind", "Meter One")
    station.begin_visit()
    daemon = station.run()
    station.first_reading(meter, after=0)
    assert f"{meter.logged_name}: connected" in daemon.log

    meter.hold("11.42")  # 8.6 % below the rated value: outside 5 %
    daemon.until_logged("11.42 µF outside")
    (point,) = station.visit()["points"]
    (accepted,) = point["readings"]
    assert (accepted["text"], accepted["verdict"], accepted["meter"]) == ("11.42 µF", "outside", "Meter One")
    assert daemon.end() == 0


@pytest.mark.fault("packets-out-of-order")
def test_three_meters_at_four_readings_a_second_lose_nothing(guest: StationGuest) -> None:
    meters = [guest.add_meter(f"Meter {number}", rate=4.0, first_count=1000 * number) for number in (1, 2, 3)]
    station = guest.add_station()
    daemon = station.run(*meters)
    for meter in meters:
        station.first_reading(meter, after=0)
        until(lambda meter=meter: len(meter.sent()) >= 40, "ten seconds of readings")  # type: ignore[misc]
    for meter in meters:
        meter.set_muted(True)
    for meter in meters:
        sent = [packet for _, packet in meter.sent()]
        until(lambda meter=meter, sent=sent: len(station.packets(meter)) >= len(sent), "all committed")  # type: ignore[misc]
        assert station.packets(meter) == sent
    assert daemon.end() == 0

"""Whether the wall clock is set, asked for every reading."""

import os
import time

import pytest

from meterlink.core.clock import ClockCheck, clock_is_set, suspended_ns

SECOND = 10**9
NOW = 1_799_064_000 * SECOND  # 2027-01-04T12:00:00Z
UNSET = 86_400 * SECOND  # a board without a battery starts in 1970


class Synchronisation:
    """The file that shows the synchronisation, and how often it was looked for."""

    def __init__(self):
        self.present, self.asked = False, 0

    def exists(self, _path):
        self.asked += 1
        return self.present


@pytest.fixture
def synchronisation(monkeypatch):
    synchronisation = Synchronisation()
    monkeypatch.setattr(os.path, "exists", synchronisation.exists)
    return synchronisation


@pytest.mark.fault("clock-not-set")
def test_a_clock_before_the_release_is_not_set(synchronisation):
    assert clock_is_set(UNSET) is False
    assert clock_is_set(NOW) is None
    synchronisation.present = True
    assert clock_is_set(NOW) is True
    assert clock_is_set(UNSET) is False


def test_the_file_system_is_asked_once_in_a_period(synchronisation):
    check = ClockCheck(0.25)
    for ms in range(0, 1000, 10):
        assert check.is_set(NOW + ms * 1_000_000) is None
    assert synchronisation.asked == 4


@pytest.mark.parametrize("jump", [3600 * SECOND, -1, UNSET - NOW])
def test_a_jump_of_the_clock_is_asked_again(synchronisation, jump):
    check = ClockCheck(0.25)
    assert check.is_set(NOW) is None
    synchronisation.present = True
    assert check.is_set(NOW + SECOND // 8) is None
    assert check.is_set(NOW + jump) is (NOW + jump > UNSET)


@pytest.mark.fault("machine-slept")
def test_the_time_of_sleep_is_told_on_linux_and_none_elsewhere(monkeypatch):
    assert suspended_ns() > -SECOND  # two clocks read one after the other
    monkeypatch.delattr(time, "CLOCK_BOOTTIME", raising=False)
    assert suspended_ns() == 0

"""Random and mutated frames: no exception, no wrong value with status ok, no memory that grows.

The expected values come from independent arithmetic, not from the decoder.
"""

import tracemalloc

import pytest

from meterlink.driver_api import Status
from support.fuzz.profile_cases import CASES, CHANNEL, NAMES, NOW, Case, packets

RECONNECT = 1000  # frames; each connection must decode without the state of the connection before it


@pytest.mark.fault("hostile-packets")
@pytest.mark.study(everyday=5_000, sample=50_000, full=1_000_000)  # frames
@pytest.mark.parametrize("case", CASES, ids=NAMES)
def test_no_exception_and_no_wrong_value(case: Case, study_size: int) -> None:
    driver = case.open()
    seen = dict.fromkeys(Status, 0)
    for number, packet in enumerate(packets(case, study_size, seed=1)):
        if number % RECONNECT == 0:
            driver = case.open()
        for reading in driver.feed(CHANNEL, packet, NOW):
            seen[reading.status] += 1
            assert reading.text
            if reading.status is Status.OK:
                assert case.right(reading), (packet.hex(), reading)
            else:
                assert reading.digits is None
    # The test needs both: frames that are read, and frames that are refused.
    assert seen[Status.OK] > study_size / 10
    assert seen[Status.INVALID] > study_size / 50


@pytest.mark.fault("hostile-packets")
@pytest.mark.study(everyday=500, sample=1_000, full=20_000)  # packets
@pytest.mark.parametrize("case", CASES, ids=NAMES)
def test_memory_does_not_grow(case: Case, study_size: int) -> None:
    driver = case.open()
    noise = list(packets(case, study_size, seed=2))
    tracemalloc.start()
    try:
        for packet in noise:
            driver.feed(CHANNEL, packet, NOW)
            driver.feed(CHANNEL, packet * 20, NOW)
        used, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    # Bytes. Five hundred packets make ten thousand readings, several megabytes if kept; the caches hold about a
    # thousand codes and words at most.
    assert used < 2_000_000

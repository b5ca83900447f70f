"""The log of a daemon that a dashboard has started stays short."""

import os
import sys
import tempfile

import pytest

from meterlink.cli.log_size import LARGEST, shorten

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no os.pread")


def lines(first: int, last: int) -> bytes:
    return b"".join(f"line {number:06}\n".encode() for number in range(first, last))


def test_the_last_half_of_a_long_log_is_kept_and_the_next_line_follows() -> None:
    with tempfile.TemporaryFile() as log:
        descriptor = log.fileno()
        os.write(descriptor, lines(0, 1_000))
        shorten(descriptor, 6_000)
        kept = os.pread(descriptor, 100_000, 0)
        assert 2_900 < len(kept) <= 3_000
        assert kept == lines(1_000 - len(kept) // 12, 1_000)  # whole lines
        os.write(descriptor, b"next\n")
        assert os.pread(descriptor, 100_000, 0) == kept + b"next\n"


def test_a_short_log_and_a_pipe_are_left_alone() -> None:
    with tempfile.TemporaryFile() as log:
        os.write(log.fileno(), lines(0, 100))
        shorten(log.fileno())
        assert os.fstat(log.fileno()).st_size == 1_200 < LARGEST
    reading, writing = os.pipe()
    shorten(writing, 1)
    os.close(reading)
    os.close(writing)


@pytest.mark.fault("growing-log")
def test_a_log_that_is_written_for_days_stays_below_its_bound() -> None:
    with tempfile.TemporaryFile() as log:
        for number in range(0, 5_000, 100):
            os.write(log.fileno(), lines(number, number + 100))
            shorten(log.fileno(), 6_000)
            assert os.fstat(log.fileno()).st_size <= 6_000
        assert os.pread(log.fileno(), 100_000, 0).endswith(b"line 004999\n")

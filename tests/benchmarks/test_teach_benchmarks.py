"""Teaching from captures that teach nothing: the time and the memory until it says so, as a share of a limit.

Run with ``--benchmark-enable -s`` for the full captures; without it the same code runs on small ones, as a test. The
time is that of the processor, so that other work on the machine does not count.
"""

import random
from pathlib import Path
from time import process_time

import pytest

from meterlink.capture.capture_file import Capture, CapturedPacket, DisplayEntry, format_capture, make_display_entry
from meterlink.teach import teach
from support.invented_meters import CHANNEL
from support.peak_memory import peak_memory

LIMIT_SECONDS = 30.0  # as long as a technician waits beside a meter (common practice, no source)
LIMIT_KILOBYTES = 200 * 1024  # beside the other programs of a small computer

CAPTURES = {"many packets": (200_000, 20), "long packets": (2_000, 500), "pieces": (200_000, None)}
"""``(packets, bytes of each)``; None for any number of bytes."""

SMALL = 100  # times fewer packets without ``--benchmark-enable``


@pytest.fixture(scope="module")
def full(request: pytest.FixtureRequest) -> bool:
    return bool(request.config.getoption("benchmark_enable", default=False))


def noise(name: str, *, full: bool) -> Capture:
    """Return random packets, and 25 entries that have nothing to do with them."""
    rng = random.Random(name)
    count, size = CAPTURES[name]
    count = count if full else max(200, count // SMALL)
    packets = tuple(
        CapturedPacket(round(index * 0.1, 6), CHANNEL, rng.randbytes(size or rng.randrange(1, 40)))
        for index in range(count)
    )
    entries: list[DisplayEntry] = []
    for place in range(25):
        at = packets[(place + 1) * count // 30].seconds
        entries.append(make_display_entry(at, f"{rng.randrange(1, 9999) / 100:.2f} V DC"))
    return Capture(packets, tuple(entries))


@pytest.mark.parametrize("name", CAPTURES)
def test_an_answer_within_the_limit_of_time(name: str, full: bool, capsys: pytest.CaptureFixture[str]) -> None:
    capture = noise(name, full=full)
    begin = process_time()
    report = teach(capture)
    ratio = (process_time() - begin) / LIMIT_SECONDS
    with capsys.disabled():
        print(f"\n{name}: {ratio:.2f} of {LIMIT_SECONDS:g} s")  # noqa: T201 - the result of this benchmark
    assert report.profile is None
    assert ratio < 1


@pytest.mark.parametrize("name", CAPTURES)
def test_memory_within_the_limit(name: str, full: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "noise.jsonl"
    file.write_text(format_capture(noise(name, full=full)), encoding="utf-8")
    ratio = peak_memory("teach", str(file), status=1) / LIMIT_KILOBYTES
    with capsys.disabled():
        print(f"\n{name}: {ratio:.2f} of {LIMIT_KILOBYTES // 1024} MB")  # noqa: T201 - as above
    assert ratio < 1

"""The speed of a profile, compared with a general parser of the same frame and with Python written for that frame.

All in one run, the shortest of many rounds each. The compiled parser of the `construct` library only splits the frame;
the profile also verifies it, looks up the meanings of its codes, scales, and makes a `Reading`.
"""

import struct
from collections.abc import Callable
from decimal import Decimal
from time import process_time

import construct
import pytest

from meterlink.driver_api import Coupling, Quantity, Reading, Status, Timestamp
from meterlink.profiles import check_profile, open_profile_driver

CHANNEL = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01"
NOW = Timestamp(1, 1)
ROUNDS, CALLS = 40, 500  # enough for one round without other work on the machine

PROFILE = f"""\
profile = 1
name = "timed"
driver = "framed"
[connection]
notify = "{CHANNEL}"
[frame]
start = "a5"
length = 12
[[frame.checksum]]
kind = "sum"
[value]
type = "int"
at = 4
size = 2
[[code]]
at = 1
[code.is]
1 = {{ unit = "V", coupling = "DC" }}
2 = {{ unit = "µF" }}
[[code]]
at = 2
[code.is]
0 = {{ places = 3 }}
1 = {{ places = 2 }}
[annunciators]
"3.0" = {{ flag = "overload" }}
"3.1" = {{ flag = "low_battery" }}
"""
BODY = struct.pack("<BBBBhBBBBB", 0xA5, 2, 1, 0, 470, 0, 0, 0, 0, 7)
FRAME = BODY + bytes([sum(BODY) & 0xFF])

PARSER = construct.Struct(
    "start" / construct.Const(b"\xa5"),
    "function" / construct.Int8ul,
    "range" / construct.Int8ul,
    "flags" / construct.Int8ul,
    "count" / construct.Int16sl,
    "spare" / construct.Bytes(4),
    "counter" / construct.Int8ul,
    "check" / construct.Int8ul,
).compile()

_FIELDS = struct.Struct("<BBBBh5xB")
_FUNCTIONS = {1: (Quantity.VOLTAGE, "V", Coupling.DC), 2: (Quantity.CAPACITANCE, "µF", None)}
_STEPS = {0: Decimal("0.001"), 1: Decimal("0.01")}


def by_hand(channel: str, packet: bytes, timestamp: Timestamp) -> tuple[Reading, ...]:
    """Decode the same frame; everything about it is fixed in the code."""
    start, function, range_code, flags, count, checksum = _FIELDS.unpack(packet)
    if start != 0xA5 or checksum != sum(packet[:-1]) & 0xFF:
        return ()
    quantity, unit, coupling = _FUNCTIONS[function]
    step = _STEPS[range_code]
    digits, status = (None, Status.OVERLOAD) if flags & 1 else (count * step, Status.OK)
    return (Reading(quantity, digits, unit, timestamp, status, coupling, step, bool(flags & 2), channel, packet),)


def seconds(*calls: Callable[[], object]) -> list[float]:
    """Return the shortest CPU time (s) of one call of each; their rounds alternate."""
    shortest = [float("inf")] * len(calls)
    for _ in range(ROUNDS):
        for number, call in enumerate(calls):
            start = process_time()
            for _ in range(CALLS):
                call()
            shortest[number] = min(shortest[number], process_time() - start)
    return [duration / CALLS for duration in shortest]


@pytest.fixture
def feed() -> Callable[[str, bytes, Timestamp], tuple[Reading, ...]]:
    profile = check_profile(PROFILE).value
    assert profile is not None
    return open_profile_driver(profile, [CHANNEL]).feed


def test_a_profile_is_no_slower_than_a_general_parser(
    feed: Callable[[str, bytes, Timestamp], tuple[Reading, ...]], capsys: pytest.CaptureFixture[str]
) -> None:
    assert feed(CHANNEL, FRAME, NOW) == by_hand(CHANNEL, FRAME, NOW)
    assert PARSER.parse(FRAME).count == 470
    ours, parser, hand = seconds(
        lambda: feed(CHANNEL, FRAME, NOW), lambda: PARSER.parse(FRAME), lambda: by_hand(CHANNEL, FRAME, NOW)
    )
    with capsys.disabled():
        print(  # noqa: T201 - the ratios are the result of this benchmark
            f"\nprofile to Reading: {ours * 1e6:.2f} µs, construct parsing only: {parser * 1e6:.2f} µs (ratio "
            f"{ours / parser:.2f}), by hand to Reading: {hand * 1e6:.2f} µs (ratio {ours / hand:.2f})"
        )
    assert ours <= parser


def test_profile_benchmark(benchmark, feed: Callable[[str, bytes, Timestamp], tuple[Reading, ...]]) -> None:
    (reading,) = benchmark(feed, CHANNEL, FRAME, NOW)
    assert reading.text == "4.70 µF"

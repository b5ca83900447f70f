"""Taught meters that send number and range in two packets, over a link that loses, swaps, doubles, joins and delays.

Each display differs from the one before, every third or fourth in its range or its unit, too. No value
that the profile reads may be one that the meter did not show.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from random import Random

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Status
from meterlink.profiles import Profile, for_whole_frames, open_profile_driver
from meterlink.profiles.joining import part_of
from support.invented_meters import InventedDisplay, agrees
from support.split_meters import SentPacket, SplitMeter

LATEST = 2.0  # s from a display to its reading: where the range comes first, the next range confirms it
_SAME = (1, 5)  # refreshes in a row that may have one range and unit
_SHARE_HARMED = 0.12  # of the packets: far more than on any link
_LONGEST_ROW = 12  # packets lost or held up together: six displays
_MOST_BUFFERS = 4  # packets that a meter keeps while nothing can be sent
HARMS = ("none", "lost", "rows", "swapped", "doubled", "joined", "stalled", "all")


@dataclass(frozen=True)
class SplitTally:
    """Displays, values read, and wrong ones in words."""

    displays: int
    right: int
    wrong: tuple[str, ...]


def draw_session(meter: SplitMeter, rng: Random, number: int) -> list[InventedDisplay]:
    """Return displays: a range and unit for some refreshes, in each of them another number."""
    displays: list[InventedDisplay] = []
    while len(displays) < number:
        first = meter.draw_display(rng)
        for _ in range(rng.randint(*_SAME)):
            counts = rng.randint(1, meter.max_counts)
            displays.append(
                InventedDisplay(first.function, first.range, counts, first.negative and counts > 0, first.overload)
            )
    return displays[:number]


def harm(sent: Sequence[SentPacket], kind: str, rng: Random) -> Iterator[SentPacket]:
    """Yield the packets that arrive, in the order in which they do."""
    place = 0
    while place < len(sent):
        what = rng.choice(HARMS[1:-1]) if kind == "all" else kind
        here = sent[place : place + _LONGEST_ROW]
        if what == "none" or rng.random() > _SHARE_HARMED or len(here) < _LONGEST_ROW:
            yield sent[place]
            place += 1
            continue
        number, arrived = _harmed(here, what, rng)
        yield from arrived
        place += number


def _harmed(here: Sequence[SentPacket], what: str, rng: Random) -> tuple[int, list[SentPacket]]:
    """Return the number of packets harmed, and those that arrive."""
    one, other, *_ = here
    match what:
        case "lost":
            return 1, []
        case "rows":
            return rng.randint(1, 6), []
        case "swapped":
            return 2, [replace(other, seconds=one.seconds), replace(one, seconds=other.seconds)]
        case "doubled":
            return 1, [one, one]
        case "joined":
            return 2, [replace(other, data=one.data + other.data)]
    # The meter keeps as many packets as it has buffers, drops the rest, and sends all at once when it can again.
    held = rng.randint(2, _LONGEST_ROW - 1)
    until = here[held].seconds - 0.001
    return held, [replace(kept, seconds=until) for kept in here[: rng.randint(1, _MOST_BUFFERS)][:held]]


def decode_harmed(
    meter: SplitMeter, profile: Profile, kind: str, seed: int, refreshes: int, connection: int = 300
) -> SplitTally:
    """Return the tally of sessions over a link that does ``kind`` of harm; each connection starts anew."""
    rng = Random(f"harm/{kind}/{seed}")
    displays, right, wrong = 0, 0, []
    while displays < refreshes:
        shown = draw_session(meter, rng, min(connection, refreshes - displays))
        driver = open_profile_driver(profile, meter.channels)
        for packet in harm(list(meter.send(shown, rng)), kind, rng):
            moment = round(packet.seconds * 1e9)
            for reading in driver.feed(packet.channel, packet.data, Timestamp(moment, moment)):
                if reading.status is Status.INVALID:
                    continue
                recent = shown[max(0, packet.display - round(LATEST / meter.refresh)) : packet.display + 1]
                if any(agrees(reading, display) for display in recent):
                    right += 1
                else:
                    wrong.append(f"{kind}: {reading.text} of {reading.packet.hex(' ')} after {recent[-2:]}")
        displays += len(shown)
    return SplitTally(displays, right, tuple(wrong))


def decode_naively(meter: SplitMeter, profile: Profile, kind: str, seed: int, refreshes: int) -> int:
    """Return the number of wrong values if each number gets the latest range: the harm without a guard."""
    rng = Random(f"harm/{kind}/{seed}")
    shown = draw_session(meter, rng, refreshes)
    assert profile.framing is not None
    parts = profile.framing.parts
    driver = open_profile_driver(for_whole_frames(profile), meter.channels)
    latest: dict[int, bytes] = {}
    wrong = 0
    for packet in harm(list(meter.send(shown, rng)), kind, rng):
        part = part_of(parts, meter.channels.index(packet.channel), packet.data)
        if part is None:
            continue
        latest[part] = packet.data
        if part == 1 and 0 in latest:
            for reading in driver.feed(meter.channels[0], latest[0] + latest[1], Timestamp(0, 0)):
                recent = shown[max(0, packet.display - round(LATEST / meter.refresh)) : packet.display + 1]
                wrong += reading.status is not Status.INVALID and not any(agrees(reading, one) for one in recent)
    return wrong

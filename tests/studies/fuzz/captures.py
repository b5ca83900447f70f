"""Captures: recorded packets and displayed values, in JSON Lines, and each of their lines."""

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from random import Random

from meterlink.capture.capture_file import format_capture, pair_packets, parse_capture
from studies.fuzz.target import Target
from support.fuzz.mutants import mutate_json, mutate_text, written_json

_UUID = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01"
_LINES: tuple[str, ...] = tuple(
    json.dumps(line)
    for line in (
        {"meter": {"name": "Bench meter", "services": [_UUID], "writes": [{"to": _UUID, "hex": "a501", "every": 2}],
                   "reads": [{"from": _UUID, "every": 0.5}]}},
        {"t": 0.5, "channel": _UUID, "hex": "a5040f00"},
        {"t": 0.6, "channel": f"{_UUID}@12", "hex": ""},
        {"t": 1.0, "display": "4.70 uF", "from": 0.2, "to": 1.0},
        {"t": 12.345, "display": "-12.34 mV DC HOLD"},
        {"t": 13, "display": "OL Mohm", "note": "of another program"},
        {"t": 14, "display": "---"},
    )
)  # fmt: skip
_DISPLAYS = ("4.70 uF", "-12.34 mV DC", "0.000 VAC", "OL Mohm", "---", "- 0.00 V", "0L", "60.0 Hz AUTO LOWBAT", "21 °C")


@contextmanager
def capture_targets(_folder: Path) -> Iterator[Sequence[Target]]:
    """Yield the readers of captures."""
    first = r": it is not JSON|not a JSON object"
    yield (
        Target("lines with wrong values", 60, _wrong_values, _read, first, least_past=0.9, least_accepted=0.1),
        Target("damaged lines", 25, _damaged, _read, first, least_past=0.3, least_accepted=0.05),
        Target("displayed values", 15, _display, _read, first, least_past=1, least_accepted=0.1),
    )


def _wrong_values(rng: Random) -> str:
    lines = [json.loads(line) for line in rng.sample(_LINES, rng.randint(1, 4))]
    place = rng.randrange(len(lines))
    lines[place] = mutate_json(rng, lines[place])
    return "\n".join(written_json(rng, line) for line in lines)


def _damaged(rng: Random) -> str:
    return mutate_text(rng, "\n".join(rng.sample(_LINES, rng.randint(1, 4))))


def _display(rng: Random) -> str:
    text = mutate_text(rng, rng.choice(_DISPLAYS), surrogates=True, most=2)
    return json.dumps({"t": 1.5, "display": text})


def _read(text: str) -> str:
    capture = parse_capture(text, "bench.jsonl")
    assert sum(1 for _ in pair_packets(capture)) == len(capture.packets)
    for entry in capture.entries:
        value = entry.displayed_value
        assert value.blank or value.overload or value.digits is not None
    again = format_capture(capture)
    again.encode()  # a half of a character could not be written to a file
    read = parse_capture(again, "again.jsonl")
    assert len(read.packets) == len(capture.packets)
    assert [packet.data for packet in read.packets] == [packet.data for packet in capture.packets]
    assert [entry.text for entry in read.entries] == [entry.text for entry in capture.entries]
    assert read.meter == capture.meter
    return (
        f"{min(len(capture.packets), 1)} packets, {min(len(capture.entries), 1)} entries, meter {bool(capture.meter)}"
    )

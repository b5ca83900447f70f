"""Meters that send number and range in two packets, drawn from a seed and taught: none is ever read wrongly.

The encoders (tests/support/split_meters.py) share no code with teaching and decoding.
"""

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from meterlink.capture.capture_file import Capture, format_capture
from meterlink.core.clock import Timestamp
from meterlink.core.readings import Status
from meterlink.profiles import Profile, check_profile, open_profile_driver
from meterlink.teach import teach
from meterlink.teach.profile_comments import write_taught_profile
from support.invented_meters import InventedDisplay, agrees
from support.split_meters import RANGE_CHANNEL, SplitMeter

UNSEEN = 60  # displays, each for four refreshes
FORMS = [(channels, order) for channels in (1, 2) for order in ("number first", "range first")]


class OneRangeMeter(SplitMeter):
    """A meter whose range nobody changes."""

    def draw_display(self, rng: Random) -> InventedDisplay:
        return InventedDisplay(self.functions[0], 0, rng.randint(100, self.max_counts), negative=False)


def read_unseen(meter: SplitMeter, profile: Profile, seed: int) -> float:
    """Return the share of displays without losses that the profile reads; every one must be right."""
    rng = Random(f"unseen/{seed}")
    shown = [display for display in [meter.draw_display(rng) for _ in range(UNSEEN)] for _ in range(4)]
    driver = open_profile_driver(profile, meter.channels)
    read = 0
    for packet in meter.send(shown, rng):
        for reading in driver.feed(packet.channel, packet.data, Timestamp(0, round(packet.seconds * 1e9))):
            if reading.status is Status.INVALID:
                continue
            # Where the range comes first, the next range confirms the display before.
            recent = shown[max(0, packet.display - meter.range_first) : packet.display + 1]
            assert any(agrees(reading, display) for display in recent), (reading.text, recent)
            read += 1
    return read / len(shown)


@pytest.mark.study(everyday=4, sample=24, full=400)
def test_one_function(study_seed: int) -> None:
    channels, order = FORMS[study_seed % len(FORMS)]
    seed = study_seed // len(FORMS)
    meter = SplitMeter(channels, order, seed)
    capture = meter.capture(25, seed)
    report = teach(capture)
    assert report.profile is not None, report.reason
    assert check_profile(write_taught_profile(report, capture)).value == report.profile
    share = read_unseen(meter, report.profile, seed)
    # Every fourth refresh has a new range or unit: beside it nothing is read.
    if not report.suggested_readings:
        assert share > 0.6


@pytest.mark.study(everyday=1, sample=8, full=100)
def test_six_functions(study_seed: int) -> None:
    channels, order = FORMS[(study_seed + 3) % len(FORMS)]
    meter = SplitMeter(channels, order, study_seed, 6)
    report = teach(meter.capture(60, study_seed))
    assert report.profile is not None, report.reason
    assert read_unseen(meter, report.profile, study_seed) > 0.4


def test_a_range_that_never_came_with_the_number_is_refused() -> None:
    # One range only: the number alone would explain every entry, and give a wrong value in the next range.
    meter = OneRangeMeter(2, "number first", 0)
    rng = Random(1)
    display = meter.draw_display(rng)
    report = teach(meter.capture(20, 1, between=0))
    assert report.profile is not None, report.reason
    other = replace(display, range=1)
    driver = open_profile_driver(report.profile, meter.channels)
    statuses = [
        reading.status
        for packet in meter.send([other] * 6, rng)
        for reading in driver.feed(packet.channel, packet.data, Timestamp(0, round(packet.seconds * 1e9)))
    ]
    assert set(statuses) == {Status.INVALID}


def test_a_range_that_is_sent_only_when_it_changes_teaches_nothing() -> None:
    # A lost packet would leave the old range, and nothing would show it.
    meter = SplitMeter(2, "number first", 0)
    capture = meter.capture(30, 0)
    sent = []
    last = b""
    for packet in capture.packets:
        if packet.channel == RANGE_CHANNEL:
            if packet.data == last:
                continue
            last = packet.data
        sent.append(packet)
    report = teach(Capture(tuple(sent), capture.entries))
    assert report.profile is None
    assert "two characteristics, that do not take turns" in report.reason


def test_decode_counts_the_halves_without_the_other(tmp_path: Path) -> None:
    meter = SplitMeter(2, "range first", 2)
    capture = meter.capture(30, 2)
    (tmp_path / "bench.jsonl").write_text(format_capture(capture), encoding="utf-8")
    lossy = replace(capture, packets=tuple(p for place, p in enumerate(capture.packets) if place % 25))
    (tmp_path / "lossy.jsonl").write_text(format_capture(lossy), encoding="utf-8")

    def meterlink(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "meterlink", *arguments],
            cwd=tmp_path, capture_output=True, encoding="utf-8", timeout=100, check=False,
        )  # fmt: skip

    taught = meterlink("teach", "bench.jsonl", "-o", "bench.toml")
    assert taught.returncode == 0, taught.stdout
    assert "every two packets, of" in taught.stdout
    text = meterlink("decode", "--profile", "bench.toml", "lossy.jsonl").stdout
    assert "half of a frame: the packet behind it is missing" in text
    decoded = meterlink("decode", "--profile", "bench.toml", "bench.jsonl", "--json")
    summary = json.loads(decoded.stdout.splitlines()[-1])["summary"]
    assert {reason["reason"] for reason in summary["reasons"]} <= {"unpaired", "part"}
    assert summary["read"] > 150

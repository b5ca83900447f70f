"""`meterlink replay`: recorded packets give the same verdicts as live ones, at either speed."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from meterlink.capture.capture_file import Capture, CapturedMeter, CapturedPacket, format_capture
from meterlink.cli.replay import ReplayOptions, ReplayResult, command, run_replay
from meterlink.core.equipment import TestPoint
from meterlink.driver_api import NO_MATCH, DriverError, InputError
from meterlink.plugins import LoadedDrivers
from meterlink.settings import DATABASE_FILE
from meterlink.station import drivers as drivers_module
from meterlink.station.station import Station
from meterlink.station.visit import AcceptedReading
from meterlink.store.reader import Reader
from meterlink_drivers.presented import PRESENTED
from meterlink_simulators.virtual_time import VIRTUAL_START, VirtualClock, run_in_virtual_time
from support.commands import run_command, run_for_json
from support.point_texts import HERM_POINT

CHANNEL = "a1b2c3d4-0000-4000-8000-000000000001"
PLAN = f"""
name = "one dual capacitor"
{HERM_POINT}why = "It starts and runs the compressor."

[[point]]
key = "fan"
circuit = "condenser fan"
component = "run capacitor"
section = "FAN"
terminals = ["C", "FAN"]
quantity = "capacitance"
state = "isolated and discharged"
kind = "capacitor"
rated = "5 uF"
tolerance = "6 %"
why = "It runs the fan."
"""
PROFILE = f"""
profile = 1
name = "bench-text"
driver = "lined"

[match]
name = "Rowan*"

[connection]
notify = ["{CHANNEL}"]

[text]
end = ""
"""


def packets(*spans: tuple[float, str], rate: float = 5.0) -> Capture:
    """Return a capture of a display that shows each text for its time: ``(seconds, text)``."""
    recorded: list[CapturedPacket] = []
    for seconds, text in spans:
        recorded += [
            CapturedPacket(100.0 + (len(recorded) + n) / rate, CHANNEL, text.encode())
            for n in range(round(seconds * rate))
        ]
    return Capture(tuple(recorded), meter=CapturedMeter("Rowan 3"))


BOTH = packets((2, "0.00 uF"), (6, "43.72 uF"), (5, "0.00 uF"), (6, "3.91 uF"), (4, "0.00 uF"))


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN)
    (tmp_path / "rowan.toml").write_text(PROFILE)
    (tmp_path / "both.jsonl").write_text(format_capture(BOTH))
    return tmp_path


def play(folder: Path, options: ReplayOptions) -> tuple[ReplayResult, list[tuple[str, str, str, Any]], float]:
    """Replay in virtual time; return ``(result, accepted readings, virtual seconds)``.

    An accepted reading is ``(test point, text, verdict, timestamp)``.
    """
    accepted: list[tuple[str, str, str, Any]] = []
    stations: list[Station] = []
    seconds: list[float] = []

    def on_accepted(point: TestPoint, reading: AcceptedReading) -> None:
        accepted.append((point.key, reading.reading.text, str(reading.judgement.verdict), reading.reading.timestamp))

    async def run() -> ReplayResult:
        clock = VirtualClock()
        result = await run_replay(folder, options, on_accepted, clock=clock, on_station=stations.append)
        seconds.append(clock.now().monotonic_ns * 1e-9)
        return result

    result = run_in_virtual_time(run(), busy=lambda: any(station.busy for station in stations))
    return result, accepted, seconds[0]


def test_a_visit_of_a_replay_keeps_its_limits_when_a_station_goes_on_with_it(
    bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A note on the visit of a recording must not make 'no limits' of 3.91 µF that are outside 5 µF ±6 %."""
    monkeypatch.setenv("METERLINK_DATA", str(bench))
    questions = """
[[question]]
key = "starter"
text = "Is there a start capacitor?"
usual = "no"
choice = [{key = "yes", words = "one is fitted"}, {key = "no", words = "there is none"}]
"""
    start = HERM_POINT.replace('key = "herm"', 'key = "start"\nwhen = { starter = "yes" }').replace("HERM", "START")
    (bench / "plan.toml").write_text(PLAN + start + questions)
    play(bench, ReplayOptions(BOTH, "both", str(bench / "plan.toml"), profile=bench / "rowan.toml"))
    before = Reader(bench / DATABASE_FILE).history()
    assert [str(row.judgement.verdict) for row in before] == ["within", "outside"]
    assert run_command("visit", "note", "the fan hums")[0] == 0
    assert Reader(bench / DATABASE_FILE).history() == before
    shown = run_for_json("visit", "show")
    assert [point["key"] for point in shown["points"]] == ["herm", "fan"]
    assert [point["limits"]["low"] for point in shown["points"]] == ["42.3", "4.7"]


CREEPING = packets(
    (2, "0.00 uF"), *((0.2, f"{40 + step * 0.25:.2f} uF") for step in range(15)), (6, "43.72 uF"), (3, "0.00 uF"),
    (2, "3.91 uF"), (0.4, "3.92 uF"), (5, "3.91 uF"), (4, "0.00 uF"),
)  # fmt: skip


@pytest.mark.fault("packets-twice")
@pytest.mark.parametrize("recorded", [BOTH, CREEPING], ids=["at rest", "creeping"])
@pytest.mark.parametrize("apart", [0.0, 0.001, 0.05])
def test_packets_that_all_come_twice_settle_on_the_same_readings(bench: Path, recorded: Capture, apart: float) -> None:
    """Within one connection, as of a system that tells each notification twice: nothing settles earlier for that."""
    twice = [replace(packet, seconds=packet.seconds + late) for packet in recorded.packets for late in (0.0, apart)]
    seen = []
    for name, capture in (("once", recorded), ("twice", replace(recorded, packets=tuple(twice)))):
        folder = bench / name
        folder.mkdir()
        options = ReplayOptions(capture, "both", str(bench / "plan.toml"), profile=bench / "rowan.toml")
        result, accepted, _ = play(folder, options)
        assert result.readings == len(capture.packets)  # equal values are kept: a display at rest sends them, too
        settled = [row.settled_in for row in Reader(folder / DATABASE_FILE).history()]
        seen.append(([(key, text, verdict) for key, text, verdict, _ in accepted], settled))
    assert len(seen[0][0]) == 2
    assert seen[0][0] == seen[1][0]
    assert all(late >= once - 0.01 for once, late in zip(seen[0][1], seen[1][1], strict=True))


def test_both_speeds_accept_the_same_readings_with_the_same_verdicts(bench: Path) -> None:
    seen = {}
    for speed in ("recorded", "top"):
        folder = bench / speed
        folder.mkdir()
        options = ReplayOptions(BOTH, "both", str(bench / "plan.toml"), speed=speed, profile=bench / "rowan.toml")
        result, accepted, seconds = play(folder, options)
        seen[speed] = [(key, text, verdict) for key, text, verdict, _ in accepted]
        assert result.accepted == 2
        assert result.readings == len(BOTH.packets)
        assert (seconds > 22) is (speed == "recorded")
        assert (seconds < 5) is (speed == "top")
        rows = Reader(folder / DATABASE_FILE).history()
        assert [row.meter.name for row in rows] == ["replayed both"] * 2
        assert {row.meter.driver for row in rows} == {"lined:bench-text"}
        assert rows[0].site.name == "replay"
    assert seen["recorded"] == seen["top"] == [("herm", "43.72 µF", "within"), ("fan", "3.91 µF", "outside")]


def test_a_recording_answers_no_question_so_the_usual_answers_are_assumed_and_named(bench: Path) -> None:
    result, accepted, _ = play(bench, ReplayOptions(BOTH, "both", "split-condenser", profile=bench / "rowan.toml"))
    assert any("Assumed without an answer: service 208-230" in sentence for sentence in result.assumptions)
    assert accepted == []  # it begins at a point for volts, and the recording has capacitances


def test_no_reading_is_in_the_future_at_top_speed(bench: Path) -> None:
    options = ReplayOptions(BOTH, "both", str(bench / "plan.toml"), profile=bench / "rowan.toml")
    _, accepted, seconds = play(bench, options)
    ends = VIRTUAL_START + timedelta(seconds=seconds)
    times = [datetime.fromtimestamp(timestamp.utc_ns * 1e-9, UTC) for *_, timestamp in accepted]
    assert times == sorted(times)
    assert times[-1] < ends


def test_a_long_recording_loses_nothing_at_top_speed(bench: Path) -> None:
    long = packets((2000, "0.00 uF"))  # more packets than the queue can keep
    result, accepted, _ = play(
        bench, ReplayOptions(long, "long", str(bench / "plan.toml"), profile=bench / "rowan.toml")
    )
    assert (result.readings, result.accepted, accepted) == (10_000, 0, [])


def test_a_replay_begins_at_the_given_test_point(bench: Path) -> None:
    capture = packets((2, "0.00 uF"), (6, "4.98 uF"), (4, "0.00 uF"))
    options = ReplayOptions(capture, "one", str(bench / "plan.toml"), point="fan", profile=bench / "rowan.toml")
    _, accepted, _ = play(bench, options)
    assert [reading[:3] for reading in accepted] == [("fan", "4.98 µF", "within")]
    with pytest.raises(InputError, match="no test point 'roof'"):
        play(bench, ReplayOptions(capture, "one", str(bench / "plan.toml"), point="roof", profile=bench / "rowan.toml"))


def test_the_driver_is_chosen_by_name_or_by_the_recording(bench: Path) -> None:
    (bench / "profiles").mkdir()
    (bench / "profiles" / "rowan.toml").write_text(PROFILE)
    for driver in ("", "lined:bench-text"):
        result, _, _ = play(bench, ReplayOptions(BOTH, "both", str(bench / "plan.toml"), driver=driver))
        assert result.accepted == 2
    with pytest.raises(DriverError, match=r"no driver 'ghost'.*presented"):
        play(bench, ReplayOptions(BOTH, "both", driver="ghost"))
    stranger = Capture(BOTH.packets, meter=CapturedMeter("Somebody else"))
    with pytest.raises(DriverError, match="No driver fits this recording"):
        play(bench, ReplayOptions(stranger, "x"))
    with pytest.raises(InputError, match="has no packets"):
        play(bench, ReplayOptions(Capture((), meter=CapturedMeter("Rowan")), "empty", driver="presented"))


def test_a_driver_that_fails_on_a_recording_has_a_plain_error(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Broken:
        name = "broken"

        def matches(self, *_: object) -> float:
            return NO_MATCH

        def open(self, _services: object) -> Any:
            raise ZeroDivisionError

    monkeypatch.setattr(drivers_module, "load_drivers", lambda: LoadedDrivers((Broken(), PRESENTED), ()))
    with pytest.raises(DriverError, match="driver broken failed on this recording: ZeroDivisionError"):
        play(bench, ReplayOptions(BOTH, "x", driver="broken"))


Run = Callable[..., Any]


def test_the_command_line_keeps_nothing_without_data(bench: Path) -> None:
    """In real time, at top speed."""
    arguments = [str(bench / "both.jsonl"), "--profile", str(bench / "rowan.toml"), "--plan", str(bench / "plan.toml")]
    plain = CliRunner().invoke(command, arguments)
    assert plain.exit_code == 0, plain.exception
    first, second = plain.stdout.splitlines()
    assert first.startswith("compressor: run capacitor HERM, C–HERM: 43.72 µF  WITHIN")
    assert second.startswith("condenser fan: run capacitor FAN, C–FAN: 3.91 µF  OUTSIDE")
    assert plain.stderr == f"{len(BOTH.packets)} packets, {len(BOTH.packets)} readings, 2 accepted.\n"
    assert sorted(path.name for path in bench.iterdir()) == ["both.jsonl", "plan.toml", "rowan.toml"]

    kept = CliRunner().invoke(command, [*arguments, "--json", "--data", str(bench / "kept")])
    objects = [json.loads(line) for line in kept.stdout.splitlines()]
    assert [(line["point"], line["verdict"], Decimal(line["reading"].split()[0])) for line in objects] == [
        ("herm", "within", Decimal("43.72")),
        ("fan", "outside", Decimal("3.91")),
    ]
    assert Reader(bench / "kept" / DATABASE_FILE).counts()["accepted_readings"] == 2

    off = CliRunner().invoke(command, [*arguments[:3], "--point", "herm", "--plan", str(bench / "plan.toml")])
    assert off.exit_code == 0
    wrong = CliRunner().invoke(command, [*arguments, "--driver", "presented"])
    assert wrong.exit_code == 2

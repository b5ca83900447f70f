"""Kept packets decoded again after a profile was corrected: the changes, and the readings that none may touch."""

import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Quantity
from meterlink.driver_api import Timestamp
from meterlink.profiles import compile_profile, parse_profile
from meterlink.settings import DATABASE_FILE
from meterlink.station.decoding_again import RawCounts, differs, open_decoder
from meterlink.store.reader import Reader
from support.commands import run_command
from support.kept_packets import CHANNEL, HERM, METER, RIGHT, SECOND, VOLTS, WRONG, KeptPackets, packet_of

GOOD, WEAK, LINE = "0a000000-good", "0b000000-weak", "0c000000-line"


@pytest.fixture
def kept(tmp_path: Path) -> KeptPackets:
    """Return a visit with two capacitors' readings that lost a factor of ten, and a voltage that is right."""
    kept = KeptPackets(tmp_path)
    for _ in range(3):
        kept.keep(packet_of(1, 453))
    kept.keep(packet_of(3, 1))  # a function that the profile does not know
    kept.accept(HERM, packet_of(1, 453), GOOD)
    kept.accept(HERM, packet_of(1, 391), WEAK)
    kept.accept(VOLTS, packet_of(2, 2403), LINE)
    return kept


def shown(folder: Path, *more: str) -> dict[str, Any]:
    done = run_command("decode", "--kept", "yard meter", "--data", str(folder), "--json", *more)
    assert (done.status, done.err) == (0, ""), done
    fields: dict[str, Any] = json.loads(done.out)
    return fields


def test_nothing_would_change_while_the_profile_is_the_same(kept: KeptPackets) -> None:
    kept.close()
    fields = shown(kept.folder)
    assert fields["readings"] == []
    assert fields["raw"] == {"same": 7, "another_value": 0, "newly_read": 0, "no_longer_read": 0, "not_decoded": 0}
    out = run_command("decode", "--kept", METER.address, "--data", str(kept.folder)).out
    assert out.splitlines() == [
        "yard meter, decoded again by framed:yard: no accepted reading would change.",
        "Raw readings: 7 kept, 7 the same; they stay as they were decoded.",
    ]


def test_a_corrected_profile_shows_old_and_new_values_with_the_verdicts_that_follow(kept: KeptPackets) -> None:
    # 4.53 µF at a 45 µF section reads as a dead capacitor; the profile lost a factor of ten, and the part is good.
    kept.close()
    kept.correct(RIGHT)
    fields = shown(kept.folder)
    assert [
        (reading["uid"], reading["before"], reading["verdict_before"], reading["after"], reading["verdict"])
        for reading in fields["readings"]
    ] == [
        (GOOD, "4.53 µF", "outside", "45.3 µF", "within"),
        (WEAK, "3.91 µF", "outside", "39.1 µF", "outside"),
    ]
    assert fields["raw"] == {"same": 2, "another_value": 5, "newly_read": 0, "no_longer_read": 0, "not_decoded": 0}


def test_showing_changes_nothing(kept: KeptPackets) -> None:
    kept.close()
    kept.correct(RIGHT)
    before = contents(kept.folder)
    shown(kept.folder)
    assert contents(kept.folder) == before


def contents(folder: Path) -> list[str]:
    with closing(sqlite3.connect(folder / DATABASE_FILE)) as connection:
        return list(connection.iterdump())


def test_a_profile_can_be_tried_before_it_is_saved(kept: KeptPackets, tmp_path: Path) -> None:
    kept.close()
    (tmp_path / "try.toml").write_text(RIGHT, encoding="utf-8")
    assert len(shown(kept.folder, "--profile", str(tmp_path / "try.toml"))["readings"]) == 2


def test_since_bounds_the_readings(kept: KeptPackets) -> None:
    kept.close()
    kept.correct(RIGHT)
    assert shown(kept.folder, "--since", "2030-01-01")["readings"] == []
    assert len(shown(kept.folder, "--since", "2026-07-14")["readings"]) == 2


def test_a_reading_that_the_profile_refuses_now_decides_nothing(kept: KeptPackets) -> None:
    # The corrected profile knows no function 1 any more: the value was a guess, and nobody knows the true one.
    kept.close()
    kept.correct(RIGHT.replace("1 = {", "9 = {"))
    first, *_ = shown(kept.folder)["readings"]
    assert (first["after"], first["verdict"]) == ("--- µF", "cannot tell")
    assert "The profile reads no value there. Measure it again." in first["reason"]


def test_a_reading_of_another_function_decides_nothing(kept: KeptPackets) -> None:
    # 240.3 V DC at the supply of a condenser: it is no reading of the alternating voltage that the point needs.
    kept.close()
    kept.correct(WRONG.replace('coupling = "AC"', 'coupling = "DC"'))
    (line,) = shown(kept.folder)["readings"]
    assert (line["before"], line["after"], line["verdict"]) == ("240.3 V AC", "240.3 V DC", "cannot tell")
    assert "needs AC voltage" in line["reason"]


def test_a_short_that_nobody_was_asked_about_decides_nothing(kept: KeptPackets) -> None:
    # An overload on capacitance may be probes that touch each other: in the visit a person would have been asked.
    kept.close()
    kept.correct(WRONG.replace('unit = "µF", places = 2', 'unit = "µF", flag = "overload"'))
    first, *_ = shown(kept.folder)["readings"]
    assert (first["after"], first["verdict"]) == ("OL µF", "cannot tell")
    assert "nobody was asked" in first["reason"]


def test_a_closed_visit_is_named_as_such(kept: KeptPackets) -> None:
    kept.finish()
    kept.close()
    kept.correct(RIGHT)
    assert [reading["closed"] for reading in shown(kept.folder)["readings"]] == [True, True]
    out = run_command("decode", "--kept", "yard meter", "--data", str(kept.folder)).out
    assert "2 accepted readings would change, 2 of them in a closed visit." in out
    assert "Nothing is changed." in out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--kept", "yard metre"), "Did you mean yard meter?"),
        (("--kept", "yard meter", "--since", "yesterday"), "'yesterday' is not a date or time"),
        (("--kept", "yard meter", "capture.jsonl"), "either a capture or --kept METER"),
        ((), "Give a capture and its --profile, or --kept METER."),
        (("--since", "7d", "c.jsonl", "--profile", "p.toml"), "belong to --kept METER"),
    ],
)
def test_wrong_input_is_answered(kept: KeptPackets, arguments: tuple[str, ...], message: str) -> None:
    kept.close()
    data = ("--data", str(kept.folder)) if "--kept" in arguments else ()
    done = run_command("decode", *arguments, *data)
    assert done.status == 2
    assert message in done.err


def test_a_profile_that_is_gone_is_named(kept: KeptPackets) -> None:
    kept.close()
    (kept.folder / "profiles" / "yard.toml").unlink()
    done = run_command("decode", "--kept", "yard meter", "--data", str(kept.folder))
    assert done.status == 2
    assert "yard meter: Its driver 'framed:yard' is not there any more." in done.err
    assert "--profile" in done.err


# Single packets

NOW = Timestamp(1, 1)
FARADS = Reading(Quantity.CAPACITANCE, Decimal("4.53"), "µF", NOW, channel=CHANNEL, packet=packet_of(1, 453))


def test_a_packet_that_is_no_frame_of_the_profile_gives_no_value() -> None:
    decode = open_decoder(compile_profile(parse_profile(RIGHT.replace("length = 5", "length = 6"), "p")))
    decoded = decode(FARADS)
    assert decoded is not None
    assert (decoded.status, decoded.digits, decoded.text) == (Status.INVALID, None, "--- µF")


def test_a_packet_of_another_characteristic_is_left_alone() -> None:
    decode = open_decoder(compile_profile(parse_profile(RIGHT.replace(CHANNEL, CHANNEL[:-1] + "2"), "p")))
    assert decode(FARADS) is None


def test_a_line_is_decoded_again_without_its_end() -> None:
    # A line is kept without its end, and the reader of a new connection waits for the end of the line before.
    text = f'profile = 1\nname = "p"\ndriver = "lined"\n[connection]\nnotify = "{CHANNEL}"\n[text]\nunit = "V"\n'
    decode = open_decoder(compile_profile(parse_profile(text, "p")))
    decoded = decode(Reading(Quantity.VOLTAGE, None, "V", NOW, Status.INVALID, channel=CHANNEL, packet=b"+24.05 VDC"))
    assert decoded is not None
    assert (decoded.text, decoded.packet) == ("24.05 V DC", b"+24.05 VDC")
    # The meter sends each line in two packets, or begins it in one packet with the end of another.
    for key in ("packets = 2", "continued = true"):
        decode = open_decoder(compile_profile(parse_profile(f"{text}{key}\n", "p")))
        assert decode(decoded) == decoded


class Joining:
    """A driver that needs two packets for a reading, and one that fails: both are foreign code."""

    name = "joining"

    def __init__(self, *, fails: bool) -> None:
        self.fails = fails
        self.channels = ()

    def matches(self, *_: object) -> float:
        return 0.0

    def open(self, *_: object) -> "Joining":
        return self

    def feed(self, *_: object) -> tuple[Reading, ...]:
        if self.fails:
            raise ValueError
        return ()


@pytest.mark.parametrize("fails", [True, False])
def test_a_driver_that_cannot_decode_a_packet_alone_changes_nothing(fails: bool) -> None:
    assert open_decoder(Joining(fails=fails))(FARADS) is None


def test_each_part_of_the_display_counts_as_a_difference() -> None:
    assert not differs(FARADS, replace(FARADS, timestamp=Timestamp(2, 2)))
    for other in (
        replace(FARADS, digits=Decimal("4.530")),  # another resolution of the display
        replace(FARADS, unit="nF"),
        replace(FARADS, coupling=Coupling.AC),
        replace(FARADS, resolution=Decimal("0.01")),
        replace(FARADS, low_battery=True),
        replace(FARADS, display_hold=True),
        replace(FARADS, relative=True),
        replace(FARADS, digits=None, status=Status.OVERLOAD),
    ):
        assert differs(FARADS, other)


def test_raw_readings_are_counted_by_the_kind_of_their_difference() -> None:
    invalid = replace(FARADS, digits=None, status=Status.INVALID)
    counts = RawCounts()
    for before, decoded in (
        (FARADS, FARADS), (FARADS, replace(FARADS, unit="nF")), (invalid, FARADS), (FARADS, invalid), (FARADS, None),
    ):  # fmt: skip
        counts.add(before, decoded)
    assert [counts.same, counts.another_value, counts.newly_read, counts.no_longer_read, counts.not_decoded] == [1] * 5
    assert counts.total == 5


# A display that moved


@pytest.mark.parametrize(("step", "verdict"), [(0, "within"), (1, "cannot tell")])
def test_a_display_that_moved_under_a_wrong_profile_decides_nothing(tmp_path: Path, step: int, verdict: str) -> None:
    # The wrong profile lost the last four bits, so the display seemed to stand while the value still crept.
    coarse = RIGHT.replace('at = 2\nsize = 2\norder = "big"', 'bits = ["2.7-0", "3.7-4"]')
    kept = KeptPackets(tmp_path, coarse.replace("places = 1 }\n2", "places = 0 }\n2"))
    kept.step = SECOND // 4
    for number in range(12):
        kept.keep(packet_of(1, 432 + step * number))
    kept.accept(HERM, packet_of(1, 432 + step * 12), GOOD)
    kept.close()
    kept.correct(RIGHT)
    (reading,) = shown(kept.folder)["readings"]
    assert (reading["before"], reading["verdict"]) == ("27 µF", verdict)
    assert ("not at rest then" in reading["reason"]) == bool(step)


# Displays that were refused


@pytest.mark.parametrize("step", [0, 7])
def test_a_display_that_was_refused_in_the_visit_is_listed_and_not_accepted(tmp_path: Path, step: int) -> None:
    # The profile did not know the code of µF: the technician saw no value, and went on. The capacitor was good.
    kept = KeptPackets(tmp_path, RIGHT.replace('1 = { unit = "µF", places = 1 }\n', ""))
    kept.step = SECOND // 4
    for counts in [0] * 8 + [453 + step * number for number in range(16)] + [0] * 8:
        kept.keep(packet_of(1, counts))
    kept.close()
    kept.correct(RIGHT)
    fields = shown(kept.folder)
    assert fields["raw"]["newly_read"] == 32
    assert [display["display"] for display in fields["read_now"]] == ([] if step else ["45.3 µF"])
    done = run_command("decode", "--kept", "yard meter", "--data", str(kept.folder), "--yes")
    assert (done.status, Reader(kept.folder / DATABASE_FILE).history()) == (0, [])
    listed = [line for line in done.out.splitlines() if "45.3 µF" in line]
    assert len(listed) == (0 if step else 1)
    assert ("Read now, not accepted in the visit then: 1 display at rest." in done.out) is not bool(step)
    assert ("measure again" in done.out) is not bool(step)

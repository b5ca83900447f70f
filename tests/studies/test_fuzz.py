"""Hostile inputs of every family: no crash, no hang, bounded memory; and the study notices each of these."""

import random
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from random import Random
from typing import Any

import pytest
from click.testing import CliRunner

from meterlink.core.errors import InputError
from meterlink.driver_api import Quantity, Status, uuid16
from meterlink_drivers.decoded_packet import DecodedPacket
from meterlink_drivers.sig_characteristics import SIG_CHARACTERISTICS
from studies.fuzz import names, target
from studies.fuzz.frames import frame_targets
from studies.fuzz.study import FAMILIES, main, open_family, run_family
from studies.fuzz.target import Outcome, Target, run_target
from support.fuzz.mutants import mutate_bytes, mutate_json, mutate_text, mutate_values, written_json
from support.fuzz.profile_cases import CASES, CHANNEL, NAMES, NOW, Case


# A million of each family are run by `python -m studies.fuzz`, a step of .ci/long, which fails as this test does.
@pytest.mark.study(everyday=400, sample=1_000, full=50_000)  # inputs of a family
@pytest.mark.parametrize("family", FAMILIES)
def test_no_input_crashes_a_reader(family: str, study_size: int, tmp_path: Path) -> None:
    for reader, outcome in run_family(family, study_size, tmp_path):
        assert list(outcome.problems(reader)) == []


def test_the_shares_of_a_family_are_the_whole(tmp_path: Path) -> None:
    for number, family in enumerate(FAMILIES):
        (tmp_path / str(number)).mkdir()
        with open_family(family, tmp_path / str(number)) as targets:
            assert sum(reader.share for reader in targets) == pytest.approx(100), family


def test_an_input_has_its_number(tmp_path: Path) -> None:
    for number, family in enumerate(FAMILIES):
        if family == "imports":  # the records that are exported have new ids each time
            continue
        (tmp_path / str(number)).mkdir()
        with open_family(family, tmp_path / str(number)) as targets:
            for reader in targets:
                assert repr(reader.draw(Random(7))) == repr(reader.draw(Random(7))), reader.name


# The study notices


def run(read: Callable[[Any], str], count: int = 300, **options: Any) -> list[str]:
    reader = Target("reader", 100, lambda rng: rng.randrange(100), read, **options)
    return list(run_target(reader, count).problems(reader))


def test_a_crash_is_named_with_its_input_and_place() -> None:
    def read(entry: int) -> str:
        return {"known": "read"}["known" if entry else "unknown"]

    (problem,) = run(read)
    assert "KeyError in test_fuzz.py" in problem
    assert problem.startswith("reader, input ")
    assert problem.endswith(": 0")


def test_a_hang_is_interrupted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(target, "HANG", 0.05)

    def read(entry: int) -> str:
        while entry == 1:
            pass
        return "read"

    (problem,) = run(read)
    assert "HangError" in problem


def test_inputs_that_die_at_the_first_check_are_noticed() -> None:
    def read(entry: int) -> str:
        if entry < 90:
            raise InputError("It is no JSON.")
        return "read"

    (problem,) = run(read, first="no JSON")
    assert "came past the first check" in problem
    assert run(read) == []


def test_inputs_of_which_none_is_accepted_are_noticed() -> None:
    def read(entry: int) -> str:
        raise InputError(f"{entry} is too small.")

    (problem,) = run(read)
    assert "0 of 300 were accepted" in problem
    assert "InputError: … is too small." in problem


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="/proc")
def test_memory_that_grows_is_noticed() -> None:
    kept: list[bytes] = []

    def read(_: int) -> str:
        kept.append(bytes(100) * 2_000)
        return "read"

    problems = run(read, count=target.FEWEST_FOR_MEMORY)
    assert ["the memory grew" in problem for problem in problems] == [True]


def test_an_input_that_takes_much_memory_once_is_noticed() -> None:
    reader = Target("reader", 100, lambda _: 0, lambda _: "read")
    outcome = Outcome("reader", inputs=target.FEWEST_FOR_MEMORY, accepted=Counter(read=target.FEWEST_FOR_MEMORY))
    outcome.early_memory = outcome.memory = 60_000
    outcome.peak = outcome.memory + target.MOST_AT_ONCE
    assert list(outcome.problems(reader)) == []
    outcome.peak += 1
    assert ["one input takes" in problem for problem in outcome.problems(reader)] == [True]


@pytest.mark.parametrize(
    ("name", "damaged"),
    [
        ("framed", "16-bit CRC at random"),
        ("framed", "16-bit CRC, one bit"),
        ("segmented", "8-bit sum at random"),
        ("segmented", "8-bit sum, one bit"),
    ],
)
def test_a_profile_without_its_checksum_reads_more_than_chance(name: str, damaged: str, tmp_path: Path) -> None:
    case = CASES[NAMES.index(name)]
    start, end = case.profile.index("[[frame.checksum]]"), case.profile.index("[value]")
    unchecked = Case(case.driver, case.profile[:start] + case.profile[end:], case.frame, case.right)
    with frame_targets(tmp_path) as targets:
        checked = next(reader for reader in targets if reader.name == damaged)
    assert list(run_target(checked, 1_000).problems(checked)) == []
    broken = replace(checked, read=lambda packets: _first_status(unchecked, packets))
    (problem,) = run_target(broken, 1_000).problems(broken)
    assert "were accepted, by chance" in problem


def _first_status(case: Case, packets: list[bytes]) -> str:
    for reading in case.open().feed(CHANNEL, packets[0], NOW):
        if reading.status is Status.OK:
            return "ok"
    raise InputError("no value")


def test_a_wrong_value_is_noticed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def tenfold(packet: bytes) -> DecodedPacket:
        return DecodedPacket(Decimal(int.from_bytes(packet, "little")).scaleb(-1), "A", Status.OK)

    monkeypatch.setitem(SIG_CHARACTERISTICS, uuid16(0x2AEE), (Quantity.CURRENT, tenfold))
    with frame_targets(tmp_path) as targets:
        reader = next(reader for reader in targets if reader.name == "characteristics of the SIG")
        problems = list(run_target(reader, 100).problems(reader))
    assert any("AssertionError in frames.py" in problem for problem in problems)


def test_a_name_that_is_not_cleaned_is_noticed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(names, "clean_text", lambda text, longest=40: text[:longest])
    with names.name_targets(tmp_path) as targets:
        cleaning = targets[0]
        problems = list(run_target(cleaning, 100).problems(cleaning))
    assert any("names.py" in problem for problem in problems)


def test_the_command_prints_a_row_for_each_reader() -> None:
    printed = CliRunner().invoke(main, ["--inputs", "100", "--only", "captures"])
    assert printed.exit_code == 0, printed.output
    rows = [line.split(" | ") for line in printed.output.splitlines() if line.startswith("| captures")]
    assert [row[1] for row in rows] == ["lines with wrong values", "damaged lines", "displayed values"]
    assert [row[7] for row in rows] == ["0"] * 3


# The generators


def test_mutants_differ_and_keep_most_of_the_original() -> None:
    rng = random.Random(1)
    text = '{"key": "value", "number": 12.5}'
    texts = [mutate_text(rng, text) for _ in range(500)]
    assert len(set(texts)) > 300
    assert sum(changed.startswith('{"key') for changed in texts) > 200
    assert any(len(changed) > 1_000 for changed in texts)
    packets = [mutate_bytes(rng, bytes(range(40))) for _ in range(500)]
    assert len(set(packets)) > 400
    assert sum(abs(len(packet) - 40) < 20 for packet in packets) > 250
    values = [mutate_values(rng, 'a = "x"\nb = 12\n') for _ in range(200)]
    assert all(changed.startswith("a = ") and "b = " in changed for changed in values)


def test_mutants_of_json_are_json_with_values_of_all_kinds() -> None:
    rng = random.Random(2)
    texts = [written_json(rng, mutate_json(rng, {"a": [1, "x", {"b": 2.5}], "c": None})) for _ in range(2_000)]
    assert any("[" * 100 in text for text in texts)
    assert any("NaN" in text for text in texts)
    assert any("9" * 30 in text or "0" * 30 in text for text in texts)
    assert any("\\ud8" in text for text in texts)
    for text in texts:
        text.encode()


def test_an_outcome_without_inputs_has_no_problem() -> None:
    reader = Target("reader", 1, lambda _: 0, lambda _: "read")
    assert list(Outcome("reader").problems(reader)) == []

"""`meterlink teach` as it is typed, and `meterlink decode` with what it wrote."""

import json
import subprocess
import sys

import pytest

from invented_meters import InventedMeter
from meterlink.capture.capture_file import format_capture


def meterlink(*arguments, cwd):
    return subprocess.run(
        [sys.executable, "-m", "meterlink", *arguments],
        cwd=cwd,
        capture_output=True,
        encoding="utf-8",
        timeout=100,
        check=False,
    )


@pytest.fixture
def folder(tmp_path):
    meter = InventedMeter("integer", 5)
    (tmp_path / "bench.jsonl").write_text(format_capture(meter.capture(14, 5)), encoding="utf-8")
    return tmp_path


def test_profile_is_written_and_decodes_the_capture(folder):
    taught = meterlink("teach", "bench.jsonl", "-o", "Yard Meter.toml", cwd=folder)
    assert taught.returncode == 0, taught.stderr
    assert taught.stdout.startswith("PROFILE yard-meter (framed), written to Yard Meter.toml")
    decoded = meterlink("decode", "--profile", "Yard Meter.toml", "bench.jsonl", "--json", cwd=folder)
    assert decoded.returncode == 0, decoded.stderr
    assert '"status": "ok"' in decoded.stdout


def test_json_tells_all(folder):
    taught = meterlink("teach", "bench.jsonl", "--json", "--name", "mine", cwd=folder)
    told = json.loads(taught.stdout)
    assert (told["accepted"], told["name"], told["labels"]) == (True, "mine", 14)
    assert all(one["held_back_wrong"] == 0 for one in told["functions"])


def test_contradicted_label_writes_nothing(folder):
    lines = (folder / "bench.jsonl").read_text(encoding="utf-8").splitlines()
    at = [place for place, line in enumerate(lines) if '"shows"' in line and "OL" not in line][4]
    wrong = json.loads(lines[at]) | {"shows": "1.23 " + json.loads(lines[at])["shows"].partition(" ")[2]}
    (folder / "wrong.jsonl").write_text("\n".join([*lines[:at], json.dumps(wrong), *lines[at + 1 :]]), encoding="utf-8")
    taught = meterlink("teach", "wrong.jsonl", "-o", "p.toml", cwd=folder)
    assert taught.returncode == 1
    assert taught.stdout.startswith("NO PROFILE")
    assert f"(line {at + 1})" in taught.stdout
    assert not (folder / "p.toml").exists()


def test_what_cannot_be_used_is_said_in_a_line(folder):
    for arguments in (("nowhere.jsonl",), ("bench.jsonl", "--name", "No Name")):
        taught = meterlink("teach", *arguments, cwd=folder)
        assert taught.returncode == 2
        assert taught.stderr.startswith("meterlink: ")
        assert taught.stderr.count("\n") == 1

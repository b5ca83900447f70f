"""The command `meterlink teach`, and `meterlink decode` with the profile that it wrote."""

import json
import subprocess
import sys

import pytest

from meterlink.capture.capture_file import format_capture
from support.invented_meters import InventedMeter


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


def test_json_has_all_results(folder):
    taught = meterlink("teach", "bench.jsonl", "--json", "--name", "mine", cwd=folder)
    report = json.loads(taught.stdout)
    assert (report["has_profile"], report["name"], report["entries"]) == (True, "mine", 14)
    assert all(function["held_out_wrong"] == 0 for function in report["functions"])
    progress = report["progress"]
    assert progress["entered"] == 14
    assert progress["needed"] == 14 + sum(item["entries"] for item in progress["open"])


def test_contradicted_entry_writes_nothing(folder):
    lines = (folder / "bench.jsonl").read_text(encoding="utf-8").splitlines()
    at = [index for index, line in enumerate(lines) if '"display"' in line and "OL" not in line][4]
    wrong = json.loads(lines[at]) | {"display": "1.23 " + json.loads(lines[at])["display"].partition(" ")[2]}
    (folder / "wrong.jsonl").write_text("\n".join([*lines[:at], json.dumps(wrong), *lines[at + 1 :]]), encoding="utf-8")
    taught = meterlink("teach", "wrong.jsonl", "-o", "p.toml", cwd=folder)
    assert taught.returncode == 1
    assert taught.stdout.startswith("NO PROFILE")
    assert f"(line {at + 1})" in taught.stdout
    assert not (folder / "p.toml").exists()


def test_unusable_input_is_reported_in_one_line(folder):
    for arguments in (("nowhere.jsonl",), ("bench.jsonl", "--name", "No Name")):
        taught = meterlink("teach", *arguments, cwd=folder)
        assert taught.returncode == 2
        assert taught.stderr.startswith("meterlink: ")
        assert taught.stderr.count("\n") == 1


def test_a_cut_off_capture_is_used_with_a_notice(folder):
    whole = (folder / "bench.jsonl").read_text(encoding="utf-8")
    (folder / "cut.jsonl").write_text(whole + '{"t": 99.1, "chan', encoding="utf-8")
    taught = meterlink("teach", "cut.jsonl", "-o", "p.toml", cwd=folder)
    assert (taught.returncode, taught.stdout) == (
        0,
        meterlink("teach", "bench.jsonl", "-o", "p.toml", cwd=folder).stdout,
    )
    number = whole.count("\n") + 1
    assert taught.stderr == f"cut.jsonl: line {number} was cut off. The lines before it are used.\n"
    decoded = meterlink("decode", "--profile", "p.toml", "cut.jsonl", cwd=folder)
    assert decoded.stderr.startswith(f"cut.jsonl: line {number} was cut off.")

"""`meterlink decode` and `meterlink profile` as a shell sees them."""

import json
import subprocess
import sys
import tomllib
from collections.abc import Iterable
from pathlib import Path

import jsonschema
import pytest

CHANNEL = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01"
PROFILE = f"""\
profile = 1
name = "hand-made"
driver = "framed"
[connection]
notify = "{CHANNEL}"
[frame]
start = "a5"
length = 4
[[frame.checksum]]
kind = "sum"
[value]
type = "uint"
at = 1
size = 2
places = 2
unit = "uF"
"""


def frame(count: int) -> bytes:
    body = bytes([0xA5, count & 0xFF, count >> 8])
    return body + bytes([sum(body) & 0xFF])


def meterlink(*arguments: str, cwd: Path) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-m", "meterlink", *arguments],
        cwd=cwd,
        capture_output=True,
        encoding="utf-8",
        timeout=60,
        check=False,
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "p.toml").write_text(PROFILE, encoding="utf-8")
    packets = [
        (0.5, CHANNEL, frame(470)),
        (0.6, CHANNEL, frame(471)[:3]),
        (0.7, CHANNEL.upper(), frame(471)[3:] + frame(472)),
        (0.8, "another", frame(473)),
        (0.9, CHANNEL, frame(474)[:-1] + b"\0"),
    ]
    lines = [json.dumps({"t": t, "channel": channel, "hex": data.hex()}) for t, channel, data in packets]
    (tmp_path / "c.jsonl").write_text("\n".join([*lines, '{"t": 0.55, "display": "4.70 uF"}']) + "\n", encoding="utf-8")
    return tmp_path


def write_capture(folder: Path, packets: Iterable[bytes]) -> None:
    lines = [json.dumps({"t": t, "channel": CHANNEL, "hex": data.hex()}) for t, data in enumerate(packets)]
    (folder / "c.jsonl").write_text("\n".join(lines), encoding="utf-8")


def test_decode_prints_one_object_a_line(folder: Path) -> None:
    done = meterlink("decode", "--profile", "p.toml", "c.jsonl", "--json", cwd=folder)
    assert (done.returncode, done.stderr) == (1, "")  # one of four is refused
    assert done.stdout.splitlines()[0] == (
        '{"t": 0.5, "quantity": "capacitance", "value": 4.7e-06, "unit": "F", "display": "4.70 µF", "status": "ok"}'
    )
    *lines, last = [json.loads(line) for line in done.stdout.splitlines()]
    assert [(line["t"], line["status"], line["display"]) for line in lines] == [
        (0.5, "ok", "4.70 µF"),
        (0.6, "incomplete", None),
        (0.7, "ok", "4.71 µF"),
        (0.7, "ok", "4.72 µF"),
        (0.9, "invalid", "--- µF"),
    ]
    assert lines[1] == dict.fromkeys(["quantity", "value", "unit", "display"]) | {
        "t": 0.6, "status": "incomplete", "reason": "part", "detail": "",
    }  # fmt: skip
    assert (lines[4]["reason"], lines[4]["detail"]) == ("checksum", "")
    refused = {"reason": "checksum", "detail": "", "count": 1}
    summary = {"read": 3, "refused": 1, "percent": 75, "reasons": [refused], "other": 0, "others": []}
    assert last == {"summary": summary}


def test_decode_for_people(folder: Path) -> None:
    done = meterlink("decode", "c.jsonl", "--profile", "p.toml", cwd=folder)
    assert done.stdout.splitlines() == [
        "       0.500 s  ok          4.70 µF",
        "       0.600 s  incomplete",
        "       0.700 s  ok          4.71 µF",
        "       0.700 s  ok          4.72 µF",
        "       0.900 s  invalid     --- µF  wrong check bytes",
        "3 of 4 packets read (75 %). Not read:",
        "       1  wrong check bytes",
        "Less than 90 %: teach the meter again, with readings of what is not known yet.",
    ]


def test_the_exit_status_follows_the_share_that_is_read(folder: Path) -> None:
    # A profile that knows nine packets of ten is good; with less, a reading may not settle.
    for good, status in ((9, 0), (8, 1)):
        packets = [frame(470)] * good + [frame(470)[:-1] + b"\0"]
        write_capture(folder, packets)
        assert meterlink("decode", "c.jsonl", "--profile", "p.toml", cwd=folder).returncode == status


def test_frames_of_another_kind_are_counted_apart(folder: Path) -> None:
    """A meter that also sends the level of its battery is read as well as one that does not."""
    text = PROFILE.replace("length = 4", "length = 5\nmarks = { 1 = 0x01 }").replace("at = 1", "at = 2")
    (folder / "p.toml").write_text(text, encoding="utf-8")
    reading, level = (bytes([*body, sum(body) & 0xFF]) for body in (b"\xa5\x01\xd6\x01", b"\xa5\x02\x64\x00"))
    write_capture(folder, [reading, level] * 10 + [reading[:-1] + b"\0"])
    done = meterlink("decode", "c.jsonl", "--profile", "p.toml", cwd=folder)
    assert done.returncode == 0
    assert done.stdout.splitlines()[1] == "       1.000 s  other       a frame or line of another kind: byte 1 is 0x02"
    assert done.stdout.splitlines()[-4:] == [
        "10 of 11 packets read (90 %). Not read:",
        "       1  wrong check bytes",
        "Left aside, as the profile has it:",
        "      10  a frame or line of another kind: byte 1 is 0x02",
    ]
    write_capture(folder, [level] * 20)  # no reading at all is no good profile
    done = meterlink("decode", "c.jsonl", "--profile", "p.toml", "--json", cwd=folder)
    assert done.returncode == 1
    summary = json.loads(done.stdout.splitlines()[-1])["summary"]
    assert (summary["read"], summary["refused"], summary["other"]) == (0, 0, 20)
    assert summary["others"] == [{"detail": "byte 1 is 0x02", "count": 20}]


@pytest.mark.parametrize(
    ("edited", "old", "new", "message"),
    [
        (
            "p.toml",
            "length = 4",
            "length = 2",
            "p.toml:13:1: value.at: byte 2 is beyond",
        ),
        ("p.toml", '"uint"', '"uimt"', "p.toml:12:1: value.type: 'uimt' is not known."),
        ("c.jsonl", '"hex": "a5', '"hex": "xx', "c.jsonl:1: hex is not pairs"),
        ("p.toml", CHANNEL, CHANNEL[:-1] + "2", "c.jsonl has no packet of a channel of the profile hand-made."),
    ],
)
def test_decode_says_what_is_wrong(folder: Path, edited: str, old: str, new: str, message: str) -> None:
    path = folder / edited
    path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    done = meterlink("decode", "--profile", "p.toml", "c.jsonl", cwd=folder)
    assert (done.returncode, done.stdout) == (2, "")
    assert message in done.stderr
    assert "Traceback" not in done.stderr


def test_check(folder: Path) -> None:
    done = meterlink("profile", "check", "p.toml", cwd=folder)
    assert (done.returncode, done.stdout) == (0, "p.toml: hand-made, framed, 1 channel.\n")
    text = PROFILE.replace("length = 4", "length = 999").replace('"uF"', '"uuF"')
    (folder / "p.toml").write_text(text, encoding="utf-8")
    done = meterlink("profile", "check", "p.toml", cwd=folder)
    assert done.returncode == 2
    assert [line.split(" ")[0] for line in done.stderr.splitlines()] == ["p.toml:8:1:", "p.toml:16:1:"]
    assert meterlink("profile", "check", "none.toml", cwd=folder).returncode == 2


def test_the_schema_is_valid_and_accepts_the_profile(folder: Path) -> None:
    schema = json.loads(meterlink("schema", "profile", cwd=folder).stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(tomllib.loads(PROFILE), schema)
    for bad in (PROFILE.replace("length", "lenght"), PROFILE.replace('"uint"', '"text"'), PROFILE + "[text]\n"):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(tomllib.loads(bad), schema)

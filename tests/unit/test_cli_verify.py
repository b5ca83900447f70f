"""``meterlink verify`` and ``meterlink seal`` on a database, with their exit status."""

import json
import sqlite3
from contextlib import closing
from io import BytesIO, TextIOWrapper

import pytest

from meterlink.store.reader import Reader
from support.commands import run_command
from support.sealed_visits import SealedVisit, whole_visit


def run_cli(*args):
    return run_command(*map(str, args))


@pytest.fixture
def folder(tmp_path):
    visit = whole_visit(tmp_path / "meterlink.db")
    visit.close()
    return tmp_path


def test_an_intact_visit(folder):
    result = run_cli("verify", "--last", "--data", folder)
    assert result.status == 0
    assert ": intact." in result.out.splitlines()[0]
    assert "It does not show that a reading was right" in " ".join(result.out.split())


def test_a_changed_visit_is_named_and_exits_3(folder):
    with closing(sqlite3.connect(folder / "meterlink.db")) as connection, connection:
        connection.execute("UPDATE accepted_readings SET digits = '46.3' WHERE digits = '45.3'")
    result = run_cli("verify", "--last", "--data", folder)
    assert result.status == 3
    assert "digits: 46.3, before: 45.3" in result.out
    found = json.loads(run_cli("verify", "--data", folder, "--json").out)
    assert found["state"] == "changed"
    assert (found["changes"][0]["before"], found["changes"][0]["after"]) == ("45.3", "46.3")


def test_an_open_visit_exits_4_and_says_when_it_is_sealed(tmp_path):
    visit = SealedVisit(tmp_path / "meterlink.db")
    visit.close()
    result = run_cli("verify", visit.ids.uid[:8], "--data", tmp_path)
    assert result.status == 4
    assert "it is sealed when it is closed" in result.out


def test_the_key_that_must_have_sealed_it(folder):
    (key,) = Reader(folder / "meterlink.db").station_keys()
    assert run_cli("verify", "--key", key.public_key[:8].upper(), "--data", folder).status == 0
    other = run_cli("verify", "--key", "00" * 32, "--data", folder)
    assert other.status == 3
    assert "It is not the key that you gave" in other.out


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["verify", "--last", "7f3a"], "Give a visit, a file, or --last"),
        (["verify", "no-such-visit"], "There is no visit"),
        (["verify", "missing.json"], "cannot be read"),
    ],
)
def test_wrong_input_is_said(folder, args, message):
    result = run_cli(*args, "--data", folder)
    assert result.status == 2
    assert message in result.err


@pytest.mark.parametrize(
    "content", [b"\xff\xfe", b"{}", b"[1]", b'{"format": "meterlink-report-1", "sealed": 7}', b"[" * 9999]
)
def test_a_file_that_is_no_report_is_said(folder, content):
    path = folder / "x.json"
    path.write_bytes(content)
    result = run_cli("verify", path)
    assert result.status == 2
    assert "--format json" in result.err


def test_the_lists_and_a_new_key(folder):
    listed = json.loads(run_cli("seal", "list", "--data", folder, "--json").out)
    assert [(entry["edition"], entry["site"]) for entry in listed] == [(1, "Mill Lane bakery")]
    assert listed[0]["fingerprint"] in run_cli("verify", "--data", folder).out
    before = json.loads(run_cli("seal", "keys", "--data", folder, "--json").out)
    replaced = run_cli("seal", "replace-key", "--yes", "--reason", "stolen", "--data", folder)
    assert replaced.status == 0
    after = json.loads(run_cli("seal", "keys", "--data", folder, "--json").out)
    assert [key["reason"] for key in after] == ["stolen", ""]
    assert after[0]["public_key"] == before[0]["public_key"]
    assert after[1]["public_key"] in replaced.out
    assert run_cli("verify", "--data", folder).status == 0


def test_a_report_from_standard_input(folder, monkeypatch):
    report = run_cli("report", "--last", "--format", "json", "--data", folder).out
    monkeypatch.setattr("sys.stdin", TextIOWrapper(BytesIO(report.encode())))
    result = run_cli("verify", "-")
    assert result.status == 0
    assert result.out.startswith("standard input: intact.")
    monkeypatch.setattr("sys.stdin", TextIOWrapper(BytesIO(report.replace("45.3", "46.3").encode())))
    assert run_cli("verify", "-").status == 3

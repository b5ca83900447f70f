"""``meterlink outbox`` on a data folder where no daemon runs."""

import json
from io import StringIO
from pathlib import Path

import pytest

from meterlink.settings import DATABASE_FILE
from meterlink.station.outbox_commands import OutboxCommands
from meterlink.store.reader import Reader
from support.broker_messages import store_messages
from support.commands import run_command, run_for_json, run_on_terminal
from support.writers import running_writer

REASON = "Not authorized"


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path))
    return tmp_path


@pytest.fixture
def database(data: Path) -> Path:
    store_messages(data / DATABASE_FILE, 4, {2: REASON, 3: "larger than\tthe\x1b[31m limit"}, b'[{"n":"voltage"}]')
    return data / DATABASE_FILE


def test_refused_messages_are_listed_with_their_reasons(database: Path) -> None:
    (first, second) = run_for_json("outbox", "list")
    assert list(first) == ["id", "since", "topic", "bytes", "refused", "reason"]
    assert (first["id"], first["topic"], first["bytes"], first["reason"]) == (
        "id-2", "meterlink/van/readings/2", 17, REASON,
    )  # fmt: skip
    assert first["refused"] >= first["since"]
    assert second["id"] == "id-3"
    out = run_command("outbox", "list").out
    assert REASON in out
    assert "\x1b" not in out
    assert "meterlink outbox retry --all" in out
    for columns in (40, 80, 120):
        assert REASON in " ".join(run_on_terminal(columns, "outbox", "list").split())


def test_waiting_messages_are_listed_without_a_reason(database: Path) -> None:
    waiting = run_for_json("outbox", "list", "--waiting")
    assert [(message["id"], message["refused"], message["reason"]) for message in waiting] == [
        ("id-1", None, ""),
        ("id-4", None, ""),
    ]
    assert len(run_command("outbox", "list", "--waiting", "--lines").out.splitlines()) == 2


def test_a_long_listing_is_cut_for_a_person_only(data: Path) -> None:
    store_messages(data / DATABASE_FILE, 60, {})
    status, out, err = run_command("outbox", "list", "--waiting")
    assert status == 0
    assert len(out.splitlines()) == 51
    assert "The oldest 50 of 60; --all lists all." in err
    assert len(run_command("outbox", "list", "--waiting", "--all").out.splitlines()) == 61
    assert len(run_for_json("outbox", "list", "--waiting")) == 60


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (0, "No refused message, and none waits for the broker."),
        (1, "No refused message. 1 message waits for the broker: meterlink outbox list --waiting"),
        (1_722, "No refused message. 1,722 messages wait for the broker: meterlink outbox list --waiting"),
    ],
)
def test_an_empty_list_says_how_many_wait(data: Path, number: int, text: str) -> None:
    store_messages(data / DATABASE_FILE, number, {})
    assert run_command("outbox", "list").out == text + "\n"
    assert run_for_json("outbox", "list") == []
    assert run_command("outbox", "list", "--lines").out == ""


def test_one_refused_message_waits_again_by_the_beginning_of_its_id(database: Path) -> None:
    status, out, err = run_command("outbox", "retry", "ID-2 ")
    assert (status, err) == (0, "")
    assert "1 message waits for the broker again." in out
    assert "meterlink run" in out
    # Behind the others, with the id that a consumer knows.
    assert [entry.message_id for entry in Reader(database).outbox(9)] == ["id-1", "id-4", "id-2"]
    assert [message.message_id for message in Reader(database).refused_messages()] == ["id-3"]


def test_all_refused_messages_wait_again(database: Path) -> None:
    assert run_for_json("outbox", "retry", "--all") == {"retried": 2}
    assert [entry.message_id for entry in Reader(database).outbox(9)] == ["id-1", "id-4", "id-2", "id-3"]
    assert run_command("outbox", "retry", "--all").out == "No refused message.\n"


def test_refused_messages_are_deleted_only_once_that_is_confirmed(database: Path) -> None:
    """In a pipe nobody is asked, and nothing goes without --yes."""
    status, out, err = run_command("outbox", "delete", "--all")
    assert (status, err) == (0, "")
    assert "2 refused messages may go, the oldest of" in out
    assert "Nothing is changed. Delete with --yes; a copy first: meterlink outbox export -o FILE" in out
    assert run_for_json("outbox", "delete", "--all") == {"refused": 2, "bytes": 34, "deleted": 0, "done": False}
    assert len(Reader(database).refused_messages()) == 2
    assert run_command("outbox", "delete", "ID-2", "--yes").out.splitlines()[-1] == "Deleted: 1 message."
    assert [message.message_id for message in Reader(database).refused_messages()] == ["id-3"]
    assert run_for_json("outbox", "delete", "--all", "--yes") == {"refused": 1, "bytes": 17, "deleted": 1, "done": True}
    assert Reader(database).refused_messages() == []
    assert [entry.message_id for entry in Reader(database).outbox(9)] == ["id-1", "id-4"], "those that wait stay"
    assert run_command("outbox", "delete", "--all", "--yes").out == "No refused message.\n"


@pytest.mark.parametrize(("typed", "left"), [("y", 1), ("n", 2), ("", 2)])
def test_a_person_is_asked_before_a_message_is_deleted(
    database: Path, monkeypatch: pytest.MonkeyPatch, typed: str, left: int
) -> None:
    monkeypatch.setattr("meterlink.cli.outbox.is_interactive", lambda: True)
    monkeypatch.setattr("sys.stdin", StringIO(f"{typed}\n"))
    out = run_command("outbox", "delete", "id-2").out
    assert "1 refused message may go: meterlink/van/readings/2, of" in out
    assert REASON in out
    assert "They cannot come back. Delete them? [y/N]" in out
    assert len(Reader(database).refused_messages()) == left


async def test_a_message_that_is_refused_after_the_list_was_shown_stays(database: Path) -> None:
    reader = Reader(database)
    first, second = reader.refused_messages()
    with running_writer(database) as writer:
        commands = OutboxCommands(writer, reader, lambda: None)
        assert await commands.delete("", first.refused_utc_ns - 1) == {"deleted": 0}
        assert await commands.delete(second.message_id, second.refused_utc_ns) == {"deleted": 1}
    assert reader.refused_messages() == [first]


@pytest.mark.parametrize("verb", ["retry", "delete"])
@pytest.mark.parametrize(
    ("arguments", "error"),
    [
        (("id",), "2 refused messages have an id that begins with 'id'."),
        (("id-1",), "No refused message has an id that begins with 'id-1'."),
        (("%",), "No refused message has an id that begins with '%'."),
        ((), "Give the ID of a message, or --all."),
        (("id-2", "--all"), "Give the ID of a message, or --all."),
    ],
)
def test_a_wrong_id_is_answered_with_the_list(
    database: Path, verb: str, arguments: tuple[str, ...], error: str
) -> None:
    status, out, err = run_command("outbox", verb, *arguments)
    assert (status, out) == (2, "")
    assert error in err
    assert len(Reader(database).refused_messages()) == 2


def test_publishing_needs_a_daemon(database: Path) -> None:
    status, out, err = run_command("outbox", "publish")
    assert (status, out) == (1, "")
    assert "meterlink run" in err


def test_an_export_has_the_packs(database: Path, tmp_path: Path) -> None:
    assert run_command("outbox", "export", "-o", str(tmp_path / "refused.jsonl")).status == 0
    lines = [json.loads(line) for line in (tmp_path / "refused.jsonl").read_text(encoding="utf-8").splitlines()]
    assert [line["id"] for line in lines] == ["id-2", "id-3"]
    assert lines[0]["payload"] == [{"n": "voltage"}]
    assert lines[0]["reason"] == REASON
    assert len(run_command("outbox", "export", "--waiting").out.splitlines()) == 2
    assert len(Reader(database).refused_messages()) == 2, "they stay"


def test_a_foreign_payload_is_exported_as_text(data: Path) -> None:
    store_messages(data / DATABASE_FILE, 1, {1: REASON}, b"\xffno JSON")
    (line,) = run_command("outbox", "export").out.splitlines()
    assert json.loads(line)["payload"] == "\ufffdno JSON"

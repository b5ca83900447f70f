"""``meterlink outbox``: the messages that wait for the broker, and those that it refused."""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, TypeVar

import click

from meterlink.cli.lazy_group import CommandGroup
from meterlink.cli.output import (
    Form,
    data_option,
    json_option,
    listing_options,
    local_time,
    print_table,
    print_text,
    printable_text,
)
from meterlink.cli.output_file import STANDARD_OUTPUT, open_output
from meterlink.cli.station_command import send_command
from meterlink.cli.terminal import is_interactive
from meterlink.core.clock import format_rfc3339
from meterlink.core.text import count_phrase
from meterlink.link.messages import CommandName
from meterlink.settings import DATABASE_FILE, data_dir, existing_data_dir
from meterlink.store.reader import Reader
from meterlink.store.rows import OutboxEntry, RefusedMessage

_PAGE = 1_000  # messages read at a time
_ON_A_PAGE = 50  # of a listing for a person
_SHORT_ID = 8  # characters of a message id, which are random

Message = OutboxEntry | RefusedMessage
_MessageT = TypeVar("_MessageT", OutboxEntry, RefusedMessage)

_waiting = click.option("--waiting", is_flag=True, help="Those that wait, instead of those that the broker refused.")


@click.group(cls=CommandGroup)
def command() -> None:
    """List the messages that the broker refused, publish them once more, export or delete them.

    Messages wait in the outbox, on the disk, until the broker of the settings has acknowledged them. One that it
    refuses is set aside with the reason, and the next ones are published. Readings and verdicts are in the record
    all the same.
    """


@command.command("list")
@_waiting
@click.option("--all", "is_all", is_flag=True, help=f"All messages; as text only {_ON_A_PAGE} are listed.")
@data_option
@listing_options("id", "since", "refused", "topic", "reason")
def list_messages(*, waiting: bool, is_all: bool, data: str | None, form: Form) -> None:
    """List the messages that the broker refused, with the reason; or those that wait for it. Oldest first.

    \b
        meterlink outbox list
        meterlink outbox list --waiting

    With --json: an array of id, since, topic, bytes, refused (the time; null while it waits), reason (empty while it
    waits).
    """
    reader = Reader(existing_data_dir(data) / DATABASE_FILE)
    if form.streams(_fields(message) for message in _messages(reader, waiting=waiting)):
        return
    counts = reader.counts()
    number = counts["outbox"] if waiting else counts["rejected_messages"]
    if not number:
        print_text(_empty_text(counts["outbox"], waiting=waiting))
        return
    shown: list[Message] = []
    for message in _messages(reader, waiting=waiting):
        if len(shown) == _ON_A_PAGE and not is_all:
            click.echo(f"The oldest {_ON_A_PAGE} of {number:,}; --all lists all.", err=True)
            break
        shown.append(message)
    print_table(("Message", "Since", "Topic", "Reason"), list(map(_table_row, shown)), ("Reason",))
    if not waiting:
        print_text("Publish them once more: meterlink outbox retry --all")


@command.command()
@click.argument("message_id", metavar="[ID]", default=None, required=False)
@click.option("--all", "is_all", is_flag=True, help="All of them.")
@data_option
@json_option
def retry(*, message_id: str | None, is_all: bool, data: str | None, as_json: bool) -> None:
    """Publish a refused message once more, by its ID or the beginning of it, or all of them.

    \b
        meterlink outbox retry 2f9f4c3a
        meterlink outbox retry --all

    Mend the reason first: mostly the broker's rules do not let this station publish under the topic. A consumer that
    has a message already knows it by its id.

    With --json: retried (the number), and while a daemon publishes broker, problem, waiting, refused.
    \f

    Raises:
        click.UsageError: neither an ID nor --all is given, or both.
    """
    uid = _chosen_id(message_id, is_all=is_all)
    result = send_command(data_dir(data), CommandName.RETRY_MESSAGES, uid=uid)
    if as_json:
        click.echo(json.dumps(result, indent=2))
        return
    number = result["retried"]
    print_text(f"{_count(number)} again." if number else "No refused message.")
    if "broker" in result:
        print_text(_broker_text(result))
    elif number:
        print_text("They are published once a daemon runs: meterlink run")


@command.command()
@click.argument("message_id", metavar="[ID]", default=None, required=False)
@click.option("--all", "is_all", is_flag=True, help="All of them.")
@click.option("--yes", is_flag=True, help="Do it; without it they are only shown, or asked about on a terminal.")
@data_option
@json_option
def delete(*, message_id: str | None, is_all: bool, yes: bool, data: str | None, as_json: bool) -> None:
    """Delete a refused message for good, by its ID or the beginning of it, or all of them.

    \b
        meterlink outbox delete 2f9f4c3a
        meterlink outbox delete --all --yes

    Their readings and verdicts stay in the record, but no consumer gets these messages any more. Messages that wait for
    the broker stay, and so do those that it refuses meanwhile. To keep a copy, export them first.

    With --json: refused and bytes (of those that may go), deleted, done.
    \f

    Raises:
        click.UsageError: neither an ID nor --all is given, or both.
    """
    from meterlink.station.outbox_commands import find_refused  # noqa: PLC0415  # `--help` must start at once

    uid = _chosen_id(message_id, is_all=is_all)
    folder = existing_data_dir(data)
    found = find_refused(Reader(folder / DATABASE_FILE), uid)
    if not as_json:
        print_text(_deletion_text(found))
    done = bool(found) and (yes or (not as_json and _is_confirmed()))
    deleted = 0
    if done:
        # A message refused since then was not shown: it stays.
        until = max(message.refused_utc_ns for message in found)
        deleted = send_command(folder, CommandName.DELETE_MESSAGES, until_utc_ns=until, uid=uid)["deleted"]
    if as_json:
        size = sum(len(message.payload) for message in found)
        click.echo(json.dumps({"refused": len(found), "bytes": size, "deleted": deleted, "done": done}, indent=2))
    elif done:
        print_text(f"Deleted: {count_phrase(deleted, 'message')}.")
    elif found:
        print_text("Nothing is changed. Delete with --yes; a copy first: meterlink outbox export -o FILE")


@command.command()
@data_option
@json_option
def publish(*, data: str | None, as_json: bool) -> None:
    """Try to reach the broker now: the running daemon waits up to a minute between tries, and longer after a refusal.

    \b
        meterlink outbox publish

    The exit status is 1 if the broker was not reached.

    With --json: broker (connecting, online, waiting, configuration), problem (empty for none), waiting, refused.
    """
    result = send_command(data_dir(data), CommandName.PUBLISH_NOW)
    if as_json:
        click.echo(json.dumps(result, indent=2))
    else:
        print_text(_broker_text(result))
    if result["broker"] != "online":
        click.get_current_context().exit(1)


@command.command()
@click.option("-o", "output", default=STANDARD_OUTPUT, metavar="FILE", help="Default: - (standard output).")
@_waiting
@data_option
def export(*, output: str, waiting: bool, data: str | None) -> None:
    """Write the messages that the broker refused to a file, in JSON Lines; or those that wait for it. They stay.

    \b
        meterlink outbox export -o refused.jsonl
        meterlink outbox export --waiting | jq .topic

    A line has id, since, topic, bytes, refused, reason, and payload: the SenML pack (RFC 8428) of the message.
    """
    reader = Reader(existing_data_dir(data) / DATABASE_FILE)
    with open_output(output) as file:
        for message in _messages(reader, waiting=waiting):
            fields = _fields(message) | {"payload": _payload(message.payload)}
            file.write(json.dumps(fields, ensure_ascii=False).encode(errors="replace") + b"\n")


def _chosen_id(message_id: str | None, *, is_all: bool) -> str:
    """Return the beginning of the id of one message, empty for all of them.

    Raises:
        click.UsageError: neither is given, or both.
    """
    uid = (message_id or "").strip().casefold()
    if is_all == bool(uid):
        raise click.UsageError("Give the ID of a message, or --all.")
    return uid


def _deletion_text(found: Sequence[RefusedMessage]) -> str:
    """Return the text of the question: a message with its topic and reason, or the number of several and their time."""
    if not found:
        return "No refused message."
    since = local_time(found[0].created_utc_ns)
    if len(found) == 1:
        (message,) = found
        return f"1 refused message may go: {message.topic}, of {since}. {message.reason}"
    return f"{len(found):,} refused messages may go, the oldest of {since}."


def _is_confirmed() -> bool:
    """Ask on a terminal; without one nobody has confirmed."""
    return is_interactive() and click.confirm("They cannot come back. Delete them?")


def _messages(reader: Reader, *, waiting: bool) -> Iterator[Message]:
    """Yield the messages, each page read at a moment of its own, so that the writer is never kept waiting."""
    return _pages(reader.outbox) if waiting else _pages(reader.refused_messages)


def _pages(read: Callable[[int, int], Sequence[_MessageT]]) -> Iterator[_MessageT]:
    after_id = 0
    while page := read(_PAGE, after_id):
        yield from page
        after_id = page[-1].id


def _fields(message: Message) -> dict[str, Any]:
    refused, reason = None, ""
    if isinstance(message, RefusedMessage):
        refused, reason = format_rfc3339(message.refused_utc_ns), message.reason
    return {
        "id": message.message_id,
        "since": format_rfc3339(message.created_utc_ns),
        "topic": message.topic,
        "bytes": len(message.payload),
        "refused": refused,
        "reason": reason,
    }


def _payload(payload: bytes) -> object:
    """Return the pack of a message as JSON; another program's text as it is."""
    text = payload.decode(errors="replace")
    try:
        return json.loads(text)
    except ValueError:
        return text


def _table_row(message: Message) -> tuple[str, ...]:
    return (
        message.message_id[:_SHORT_ID],
        local_time(message.created_utc_ns),
        printable_text(message.topic),
        printable_text(message.reason) if isinstance(message, RefusedMessage) else "",
    )


def _empty_text(number_waiting: int, *, waiting: bool) -> str:
    if waiting:
        return "No message waits for the broker."
    if number_waiting:
        return f"No refused message. {_count(number_waiting)}: meterlink outbox list --waiting"
    return "No refused message, and none waits for the broker."


def _broker_text(result: Mapping[str, Any]) -> str:
    parts = [result["problem"] or ("The broker is reached." if result["broker"] == "online" else "No answer yet.")]
    parts.append(f"{_count(result['waiting'])}." if result["waiting"] else "No message waits.")
    return " ".join(parts)


def _count(number: int) -> str:
    return "1 message waits for the broker" if number == 1 else f"{number:,} messages wait for the broker"

"""``meterlink answer``: the open questions of the running station's visit, and their answers."""

import asyncio
import json
from pathlib import Path
from typing import Any

import click

from meterlink.cli.enter import accepted_text, accepted_views, first_visit, wait_for_accepted
from meterlink.cli.judge.questions import question_lines
from meterlink.link.client import connect
from meterlink.link.messages import AcceptedView, CommandName, PointView
from meterlink.settings import existing_data_dir


@click.command()
@click.argument("reading", required=False, type=click.IntRange(min=1))
@click.option(
    "--answer", metavar="CHOICE", help="The number or the key of a choice; without it the questions are listed."
)
@click.option("--data", type=click.Path(file_okay=False), help="Data folder; default: the platform's folder for data.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for programs.")
def command(*, reading: int | None, answer: str | None, data: str | None, as_json: bool) -> None:
    """List the open questions about accepted readings, or answer one.

    READING is the number of the accepted reading in the list; it may be left out if only one has a question. The
    station judges the reading again; its earlier verdict stays in the database. The exit status is 3 if questions are
    listed.

    With --json the list is an array of objects: reading (its number), point, circuit, title, text (the display) and
    question (question, choices, usual). The answer prints an object like that of `meterlink enter --json`.
    """
    folder = existing_data_dir(data)
    if answer is None:
        _print_questions(asyncio.run(list_questions(folder, reading)), as_json=as_json)
        return
    point, accepted = asyncio.run(answer_question(folder, answer, reading))
    click.echo(accepted_text(point, accepted, as_json=as_json))


async def list_questions(folder: Path, reading: int | None = None) -> list[tuple[PointView, AcceptedView]]:
    """Return the test points and their accepted readings that have an open question; only ``reading`` if it is given.

    Raises:
        LinkError: no daemon runs, or it stopped.
    """
    client = await connect(folder)
    try:
        accepted = accepted_views(await first_visit(client))
        return [
            (point, view) for point, view in accepted if view["question"] is not None and reading in {None, view["id"]}
        ]
    finally:
        await client.close()


async def answer_question(folder: Path, answer: str, reading: int | None = None) -> tuple[PointView, AcceptedView]:
    """Answer the question about ``reading`` (None: the only one); return ``(test point, accepted reading)``.

    Raises:
        LinkError: no daemon runs, or it stopped.
        InputError: the daemon refused the answer; the message is the daemon's.
        StoreError: the verdict was not stored in time.
    """
    fields: dict[str, str | int] = {"answer": answer} if reading is None else {"answer": answer, "reading": reading}
    return await wait_for_accepted(folder, CommandName.ANSWER, **fields)


def _print_questions(asked: list[tuple[PointView, AcceptedView]], *, as_json: bool) -> None:
    """Print the open questions.

    Raises:
        Exit: there are questions; the exit status is that of a question.
    """
    if as_json:
        click.echo(json.dumps([_fields(point, accepted) for point, accepted in asked]))  # ASCII only
    elif not asked:
        click.echo("No question is open.")
    for point, accepted in [] if as_json else asked:
        question = accepted["question"]
        if question is not None:
            click.echo(f"{accepted['id']}  {point['circuit']}: {point['title']}: {accepted['text']}")
            click.echo("\n".join(f"   {line}" for line in question_lines(question)))
    if asked:
        if not as_json:
            click.echo(
                f"Answer with: meterlink answer {asked[0][1]['id']} --answer and the number or the key of a choice."
            )
        raise click.exceptions.Exit(3)


def _fields(point: PointView, accepted: AcceptedView) -> dict[str, Any]:
    return {
        "reading": accepted["id"],
        "point": point["key"],
        "circuit": point["circuit"],
        "title": point["title"],
        "text": accepted["text"],
        "question": accepted["question"],
    }

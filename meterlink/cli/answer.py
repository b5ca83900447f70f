"""``meterlink answer``: the open questions of the running station's visit, and their answers."""

import asyncio
from pathlib import Path
from typing import TypedDict

import click

from meterlink.cli.daemon_version import connect_to_daemon
from meterlink.cli.enter import accepted_text, accepted_views, first_visit, wait_for_accepted
from meterlink.cli.judge.questions import question_lines
from meterlink.cli.output import Form, data_option, listing_options
from meterlink.cli.station_command import ensure_station
from meterlink.core.questions import OpenQuestionError
from meterlink.link.messages import AcceptedView, CommandName, PointView, QuestionView
from meterlink.settings import existing_data_dir


@click.command()
@click.argument("which", default="", metavar="[QUESTION]")
@click.option(
    "--answer", metavar="CHOICE", help="The number or the key of a choice; without it the questions are listed."
)
@data_option
@listing_options("name", "about", "text")
def command(*, which: str, answer: str | None, data: str | None, form: Form) -> None:
    """List the open questions of the visit, or answer one.

    \b
        meterlink answer
        meterlink answer 3 --answer 5.00

    QUESTION is its name in the list: the number of an accepted reading, or the key of a question about the machine. It
    may be left out for the first question about the machine, and where only one is open. A reading is judged again; its
    earlier verdict stays in the database. From the answers about the machine its test points follow. The exit status is
    3 if questions are listed.

    With --json the list is an array of objects: name, about (the machine, or circuit, component and display of the
    reading) and question (question, choices, usual). The answer about a reading prints an object like that of
    `meterlink enter --json`; that about the machine prints the list of the questions left.
    """
    folder = existing_data_dir(data)
    if answer is not None:
        accepted = asyncio.run(answer_question(folder, answer, which))
        if accepted is not None:
            click.echo(accepted_text(*accepted, as_json=form.as_json))
            return
        which = ""
    _print_questions(asyncio.run(list_questions(folder, which)), form)


class ListedQuestion(TypedDict):
    """An open question: its name on the command line, and its subject in words."""

    name: str
    about: str
    question: QuestionView


async def list_questions(folder: Path, name: str = "") -> list[ListedQuestion]:
    """Return the open questions about the machine, then those about readings; with a ``name`` that one only.

    Raises:
        LinkError: the daemon stopped, or has another version.
    """
    async with ensure_station(folder):
        client = await connect_to_daemon(folder)
        try:
            visit = await first_visit(client)
        finally:
            await client.close()
    listed = [
        ListedQuestion(name=asked["key"], about="the machine", question=asked["question"])
        for asked in visit["questions"]
    ]
    for point, accepted in accepted_views(visit):
        if accepted["question"] is not None:
            about = f"{point['circuit']}: {point['title']}: {accepted['text']}"
            listed.append(ListedQuestion(name=str(accepted["id"]), about=about, question=accepted["question"]))
    return [question for question in listed if name in {"", question["name"]}]


async def answer_question(folder: Path, answer: str, name: str = "") -> tuple[PointView, AcceptedView] | None:
    """Answer the question ``name``; return ``(test point, accepted reading)``, None for one about the machine.

    Raises:
        LinkError: the daemon stopped, or has another version.
        CommandError: no visit is open; the message is the station's.
        CommandInputError: there is no such question or choice; the message is the station's.
        StoreError: the verdict was not stored in time.
    """
    fields: dict[str, str | int] = {"answer": answer}
    if name:
        fields |= {"reading": int(name)} if name.isdecimal() else {"question": name}
    return await wait_for_accepted(folder, CommandName.ANSWER, **fields)


def _print_questions(listed: list[ListedQuestion], form: Form) -> None:
    """Print the open questions.

    Raises:
        Exit: there are questions; the exit status is that of a question.
    """
    records = [{**question, "text": question["question"]["question"]} for question in listed]
    if not form.prints(listed, records) and not listed:
        click.echo("No question is open.")
    elif not form.is_for_programs:
        for question in listed:
            click.echo(f"{question['name']}  {question['about']}")
            click.echo("\n".join(f"   {line}" for line in question_lines(question["question"])))
        first = listed[0]["name"]
        click.echo(f"Answer with: meterlink answer {first} --answer and the number or the key of a choice.")
    if listed:
        raise click.exceptions.Exit(OpenQuestionError.exit_code)

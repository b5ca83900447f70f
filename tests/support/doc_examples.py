"""Finds, runs, compares and rewrites the examples in README.md and meterlink/docs.

``python tests/support/doc_examples.py`` puts today's output of the commands into the pages; read the difference before
you keep it.

In a ``console`` block a line ``$ meterlink …`` is run, and the lines up to the next ``$`` are its output: standard
output, then standard error. A command that ends in ``\\`` continues in the next line, after ``> ``. Output may be cut
short in two ways: a last line of only ``...`` means any further lines, and a JSON object that ends in ``, ...}``
any further keys. The output before is compared exactly.

The statements after ``>>>`` and ``...`` in the ``pycon`` blocks of a page are run in order, with the same names; the
lines up to the next ``>>>`` are their output.

A block whose first line is ``# NAME.toml``, ``# NAME.csv`` or ``# NAME.jsonl`` is a file of that name in the folder the
page's commands run in, which is their data folder, too. It holds the visits of `SEASONS`. Its path is shown as
``DIR``.
"""

import doctest
import json
import os
import re
import shlex
import sys
from collections.abc import Iterable, Iterator
from contextlib import chdir, redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest.mock import patch

from meterlink.cli.main import main
from meterlink.core.equipment import CircuitState, PointKind, Rating, Site, TestPoint
from meterlink.core.units import Amount, Quantity, parse_amount

if __name__ == "__main__":  # a script run by its path finds the modules beside it, but not their package
    sys.path.insert(0, str(Path(__file__).parents[1]))

from support.recorded_visits import RecordedVisit, store_visits

ROOT = Path(__file__).parents[2]
PAGES = (ROOT / "README.md", *sorted((ROOT / "meterlink" / "docs").glob("*.md")))

ELLIPSIS_LINE = "..."
ELLIPSIS_KEYS = ", ...}"

_FENCE = re.compile(r"```(\w*)")
_NAMED = re.compile(r"# ([\w-]+\.(?:toml|csv|jsonl))")
_WIDTH = "100"  # columns of the terminal the examples are run on


@dataclass(frozen=True, slots=True)
class Block:
    """A fenced block: ``start`` is the index of its first line in the page's lines, from 0."""

    language: str
    start: int
    lines: tuple[str, ...]

    @property
    def file(self) -> str:
        """The name of the file that the block is; empty for another block."""
        named = _NAMED.fullmatch(self.lines[0]) if self.lines else None
        return named[1] if named else ""

    @property
    def content(self) -> str:
        """The content of the file; of another block, its lines."""
        return "\n".join((*self.lines[1:], "")) if self.file else "\n".join((*self.lines, ""))


@dataclass(frozen=True, slots=True)
class Example:
    """A command and the output the page shows for it, which begins at ``start`` of the page's lines."""

    command: str
    start: int
    expected_output: tuple[str, ...]

    @property
    def args(self) -> list[str]:
        """The command's arguments, without ``meterlink``."""
        return shlex.split(self.command)[1:]


def blocks(text: str) -> Iterator[Block]:
    """Yield the fenced blocks of a page."""
    lines, opened = text.splitlines(), None
    for number, line in enumerate(lines):
        if opened is None and (fence := _FENCE.fullmatch(line)):
            opened = (fence[1], number + 1)
        elif opened is not None and line == "```":
            yield Block(*opened, tuple(lines[opened[1] : number]))
            opened = None


def examples(text: str) -> Iterator[Example]:
    """Yield every ``$ meterlink`` command of a page's console blocks.

    Raises:
        AssertionError: a console block begins with another text.
    """
    for block in blocks(text):
        if block.language == "console":
            assert block.lines, "an empty console block"
            assert block.lines[0].startswith("$ "), block.lines[0]
            yield from _examples(block)


def _examples(block: Block) -> Iterator[Example]:
    starts = [number for number, line in enumerate(block.lines) if line.startswith("$ ")]
    for start, end in zip(starts, [*starts[1:], len(block.lines)], strict=True):
        command, below = block.lines[start].removeprefix("$ "), start + 1
        while command.endswith("\\"):
            command = command.removesuffix("\\") + block.lines[below].removeprefix("> ")
            below += 1
        assert command.startswith("meterlink "), command
        yield Example(command, block.start + below, block.lines[below:end])


@dataclass(frozen=True, slots=True)
class Statement:
    """A Python statement and the output the page shows for it, which begins at ``start`` of the page's lines."""

    source: str
    start: int
    expected_output: tuple[str, ...]


def statements(text: str) -> Iterator[Statement]:
    """Yield the statements of a page's ``pycon`` blocks, in order."""
    for block in blocks(text):
        if block.language == "pycon":
            assert block.lines, "an empty pycon block"
            assert block.lines[0].startswith(">>> "), block.lines[0]
            for example in doctest.DocTestParser().get_examples(block.content):
                start = block.start + example.lineno + example.source.count("\n")
                yield Statement(example.source, start, tuple(example.want.splitlines()))


def run_statements(given: Iterable[Statement], folder: Path) -> list[list[str]]:
    """Return the lines that each statement prints in ``folder``, its value included if it is an expression.

    An error of a statement is not caught: no page shows a traceback.
    """
    names: dict[str, object] = {"__name__": "__page__"}
    printed = []
    for statement in given:
        out = StringIO()
        with chdir(folder), redirect_stdout(out):
            exec(compile(statement.source, "<page>", "single"), names)  # noqa: S102  # the pages are our own
        printed.append(out.getvalue().splitlines())
    return printed


def prepare_folder(text: str, folder: Path) -> None:
    """Put a page's files, and the database of `SEASONS`, into ``folder``."""
    write_page_files(text, folder)
    store_visits(folder / "meterlink.db", SEASONS)


def write_page_files(text: str, folder: Path) -> None:
    """Put a page's files into ``folder``."""
    for block in blocks(text):
        if block.file:
            (folder / block.file).write_text(block.content, encoding="utf-8")


def run_command(args: list[str], folder: Path) -> list[str]:
    """Return the lines a command prints in ``folder``, whose path becomes ``DIR``."""
    out, err = StringIO(), StringIO()
    surroundings = {"METERLINK_DATA": str(folder), "COLUMNS": _WIDTH}
    ended = suppress(SystemExit)
    with patch.dict(os.environ, surroundings), chdir(folder), redirect_stdout(out), redirect_stderr(err), ended:
        main(args)
    return (out.getvalue() + err.getvalue()).replace(str(folder), "DIR").splitlines()


def shorten_alike(expected: tuple[str, ...], printed: list[str]) -> list[str]:
    """Return the printed lines, cut short as ``expected`` is: a page is right if the two are equal."""
    shortened = printed
    if expected and expected[-1] == ELLIPSIS_LINE and len(printed) >= len(expected):
        shortened = [*printed[: len(expected) - 1], ELLIPSIS_LINE]
    return [_shorten_line(*pair) for pair in zip((*expected, *[""] * len(shortened)), shortened, strict=False)]


def _shorten_line(expected: str, printed: str) -> str:
    if not (expected.endswith(ELLIPSIS_KEYS) and printed.startswith("{")):
        return printed
    # The page's object may have older keys: the new one keeps their number. All of them are on the top level.
    keys = len(json.loads(expected.removesuffix(ELLIPSIS_KEYS) + "}"))
    fields = json.loads(printed)
    if keys >= len(fields):
        return printed
    return json.dumps(dict(list(fields.items())[:keys]), ensure_ascii=False).removesuffix("}") + ELLIPSIS_KEYS


def refresh_page(text: str) -> str:
    """Return a page with today's output of its examples."""
    lines = text.splitlines()
    with TemporaryDirectory() as folder:
        prepare_folder(text, Path(folder))
        # In order: an example may need the files of an earlier example.
        printed: list[tuple[Example | Statement, list[str]]] = [
            (example, run_command(example.args, Path(folder))) for example in examples(text)
        ]
        given = list(statements(text))
        printed += zip(given, run_statements(given, Path(folder)), strict=True)
    printed.sort(key=lambda found: found[0].start)
    for example, output in reversed(printed):  # from the end, so that earlier line numbers stay right
        end = example.start + len(example.expected_output)
        lines[example.start : end] = shorten_alike(example.expected_output, output)
    return "\n".join((*lines, ""))


_BAKERY = Site("Mill Lane bakery", "Condenser 1")
_SPRING_AND_AUTUMN = ("2023-05-04", "2023-10-02", "2024-05-06", "2024-09-30", "2025-05-05", "2025-10-06")
_HERM = ("45.1 uF", "44.8 uF", "44.3 uF", "44.1 uF", "43.6 uF", "43.2 uF")
_FAN = ("4.62 uF", "4.55 uF", "7.48 uF", "7.51 uF", "7.50 uF", "7.49 uF")


def _section(name: str, rated: Amount) -> TestPoint:
    return TestPoint(
        name.lower(), "compressor", "run capacitor", ("C", name), Quantity.CAPACITANCE, CircuitState.ISOLATED,
        PointKind.CAPACITOR, Rating(rated, "±6 %"), name,
    )  # fmt: skip


# A dual run capacitor. In the second spring its fan section was replaced by a section of another rating.
SEASONS = tuple(
    RecordedVisit(
        day,
        _BAKERY,
        (
            (_section("HERM", parse_amount("45 uF")), herm),
            (_section("FAN", parse_amount("7.5 uF" if fan.startswith("7") else "5 uF")), fan),
        ),
        label="45+7.5 µF ±6 % 440 V" if day == _SPRING_AND_AUTUMN[-1] else "",  # in the last visit
    )
    for day, herm, fan in zip(_SPRING_AND_AUTUMN, _HERM, _FAN, strict=True)
)


def refresh_pages() -> None:
    """Rewrite the pages whose output has changed, and print their names."""
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        refreshed = refresh_page(text)
        if refreshed != text:
            page.write_text(refreshed, encoding="utf-8", newline="\n")
            sys.stdout.write(f"{page.relative_to(ROOT)} rewritten\n")


if __name__ == "__main__":
    refresh_pages()

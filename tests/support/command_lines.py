"""Command lines of `meterlink` with mistakes in them, drawn at random from valid ones.

The valid lines are the examples of the documents, the calls of `support.judge_calls`, and `SEEDS`. The commands, their
options and arguments are read from the command tree itself: a new command without a valid line fails a test.
"""

import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random

import click

from meterlink.cli.main import cli
from support.doc_examples import PAGES, SEASONS, examples, write_page_files
from support.judge_calls import CALLS, STOCK, write_files
from support.point_texts import HERM_POINT
from support.recorded_visits import store_visits

# A valid line for each command outside the documents; a line that needs a radio or a daemon is stubbed by its test.
SEEDS = (
    ("capture", "00:00:5E:00:53:0A", "-o", "new.jsonl", "--seconds", "1", "--poll", "2a1c=1"),
    ("capture", "--meter", "clamp meter", "-o", "new.jsonl", "--write", "2a1c=01ff@2"),
    ("decode", "yard.jsonl", "--profile", "yard.toml"),
    ("demo", "--headless", "--json", "--scenario", "demo", "--data", "played"),
    ("diagnose", "--data", "."),
    ("diagnose", "--json"),
    ("enter", "43.1 uF", "--point", "herm"),
    ("answer", "3", "--answer", "5.00"),
    ("find", "--seconds", "1", "--json"),
    ("find", "--bind", "00:00:5E:00:53:0A", "--name", "clamp meter"),
    ("find", "--seconds", "1", "--adapter", "00:00:5E:00:53:AA"),
    ("find", "--new-address", "00:00:5E:00:53:0A", "00:00:5E:00:53:0B"),
    ("meter", "list"),
    ("outbox", "list"),
    ("outbox", "list", "--waiting", "--all", "--json"),
    ("outbox", "retry", "2f9f4c3a"),
    ("outbox", "retry", "--all", "--json"),
    ("outbox", "delete", "2f9f4c3a"),
    ("outbox", "delete", "--all", "--yes", "--json"),
    ("outbox", "publish"),
    ("outbox", "export", "-o", "refused.jsonl"),
    ("meter", "show", "typed in"),
    ("meter", "name", "00:00:5E:00:53:0A", "clamp meter"),
    ("meter", "pin", "clamp meter", "run-capacitor-herm"),
    ("meter", "driver", "clamp meter", "--auto"),
    ("meter", "accuracy", "typed in", "capacitance: 0.9 % + 2 digits", "--json"),
    ("meter", "calibration", "typed in", "--done", "2026-03-01", "--due", "2027-03-01", "--certificate", "K-1047"),
    ("visit", "replace", "run-capacitor-herm", "--rating", "35/5 MFD 440V", "--answer", "fitted", "--elsewhere"),
    ("visit", "replace", "run-capacitor-herm", "--undo"),
    ("report", "--last", "-o", "report.html", "--voice", "technical", "--data", "."),
    ("report", "--unit", "Condenser 1", "--site", "Mill Lane bakery", "--format", "json"),
    ("report", "--last", "--format", "pdf", "--paper", "letter", "--anonymous", "-o", "report.pdf"),
    ("verify", "--last", "--key", "3f2a91bc", "--json", "--data", "."),
    ("verify", "report.json"),
    ("seal", "keys", "--lines", "--data", "."),
    ("seal", "replace-key", "--yes", "--reason", "stolen", "--json", "--data", "."),
    ("backup", "-o", "record.zip", "--whole", "--force", "--json", "--data", "."),
    ("restore", "record.db", "--replace", "--json", "--data", "restored"),
    ("salvage", "-o", "salvaged.db", "--json", "--data", "."),
    ("thin", "--older-than", "90d", "--yes", "--compact", "--json", "--data", "."),
    ("backup", "-o", "second-phone.db", "--data", "."),
    ("merge", "second-phone.db", "--preview", "--json", "--data", "."),
    ("sticker", "Condenser 1", "--site", "Mill Lane bakery", "--size", "100x50", "--qr", "-o", "sticker.svg"),
    ("sticker", "Condenser 1", "--part", "run capacitor", "--sheet", "3x7:63.5x38.1", "--margins", "7.2x15.1",
     "--paper", "a4", "--skip", "2", "-o", "sheet.pdf"),
    ("export", "--format", "jsonl", "--unit", "Condenser 1", "--until", "7d", "--anonymous", "-o", "nameless.jsonl"),
    ("export", "--since", "2023-01-01", "--raw", "--format", "senml", "-o", "raw.senml", "--data", "."),
    ("export", "-o", "readings.jsonl"),
    ("export", "--describe"),
    ("import", "readings.jsonl", "--preview", "--json", "--data", "."),
    ("stock", "add", "45+5 uF 440V", "--count", "2", "--place", "left bin", "--note", "first load"),
    ("stock", "count", "2-pole 30 A", "3", "--part", "contactor"),
    ("stock", "use", "45+5 uF 440V"),
    ("stock", "return", "45+5 uF 440V", "--note", "not needed"),
    ("stock", "list", "--empty", "--json"),
    ("stock", "low", "45+5 uF 440V", "2"),
    ("stock", "restock", "--since", "2024-01-01", "-o", "restock.pdf", "--paper", "letter"),
    ("stock", "restock", "--format", "csv"),
    ("stock", "receive", "45+5 uF 440V", "--count", "2", "--place", "left bin"),
    ("stock", "receive", "--list", "restock.csv", "--yes", "--json"),
    ("stock", "ledger", "--json"),
    ("stock", "import", "stock.toml", "--yes", "--json"),
    ("stock", "export"),
    ("unit", "list", "--all", "--lines"),
    ("unit", "show", "--site", "Mill Lane bakery", "Condenser 1", "--json"),
    ("unit", "set", "--site", "Mill Lane bakery", "condenser", "note", "key at the bar"),
    ("unit", "unset", "--site", "Mill Lane bakery", "condenser", "model"),
    ("unit", "rename", "--site", "Mill Lane bakery", "condenser", "condenser east"),
    ("unit", "merge", "--site", "Mill Lane bakery", "condenser", "condenser 1", "--into-site", "Pond school"),
    ("unit", "archive", "--site", "Mill Lane bakery", "condenser"),
    ("unit", "restore", "--site", "Mill Lane bakery", "condenser"),
    ("due", "--months", "6", "--unseen", "18", "--site", "Mill Lane bakery", "--json"),
    ("due", "--every-part", "--limit", "5", "--skip", "1"),
    ("site", "list", "--lines"),
    ("site", "show", "Mill Lane bakery", "--json"),
    ("site", "set", "Mill Lane bakery", "--customer", "Harbour Foods", "--address", "2 Mill Lane", "--time-zone",
     "Europe/Oslo"),
    ("site", "unset", "Mill Lane bakery", "time-zone"),
    ("site", "forget", "Mill Lane bakery", "--units", "--yes"),
    ("visit", "forget", "7f3a", "--yes"),
    ("site", "rename", "Mill Lane bakery", "Mill Lane bakery and café"),
    ("site", "merge", "Mill lane Bakery", "Mill Lane bakery"),
    ("visit", "move", "--site", "Mill Lane bakery", "--unit", "condenser 2"),
    ("visit", "assign", "herm", "--from", "2026-07-01T13:00:00Z", "--to", "2026-07-01T13:05:00Z", "--meter", "bench"),
    ("visit", "close", "--outcome", "repaired", "--power", "on", "--covers", "on", "--json"),
    ("history", "--since", "2024-01-01", "--limit", "5"),
    ("history", "--json"),
    ("history", "--all", "--verdict", "close call", "--until", "2026-01-01"),
    ("plan", "check", "plan.toml"),
    ("plan", "list"),
    ("plan", "show", "split-condenser", "--json"),
    ("profile", "check", "yard.toml"),
    ("profile", "list", "--lines"),
    ("replay", "yard.jsonl", "--profile", "yard.toml", "--plan", "plan.toml", "--point", "herm"),
    ("run", "--meter", "00:00:5E:00:53:0A", "--adopt", "--owned", "--verbose", "--log-format", "json"),
    ("schema", "plan"),
    ("status", "--json", "--data", "."),
    ("status", "--prometheus", "state.prom", "--data", "."),
    ("service", "install", "--root", "image", "--mqtt-password", "pw"),
    ("service", "install", "--user", "--root", "image"),
    ("service", "remove", "--root", "image"),
    ("check", "--bluetooth", "--database", "--json", "--data", "."),
    ("visit", "begin", "--site", "Mill Lane bakery", "--unit", "Condenser 1", "--plan", "split-condenser"),
    ("visit", "close", "--outcome", "repaired", "--json"),
    ("visit", "list", "--json"),
    ("visit", "note", "squeaky fan"),
    ("visit", "prove", "241 V AC"),
    ("visit", "pause"),
    ("visit", "rating", "herm", "45 uF"),
    ("visit", "show", "--json"),
    ("visit", "skip", "herm", "--reason", "cover rusted shut"),
    ("visit", "switch", "7f3a", "--json"),
    ("visit", "void", "7f3a", "--reason", "typing slip"),
    ("visit", "unvoid", "7f3a"),
    ("watch", "--picture", "new.svg", "--size", "80x24"),
)  # fmt: skip

TEXTS = (
    "", " ", "\t", "\u200b", "\u00a0", "0", "-0", "5", "-5", "5 bananas", "9" * 60, "1e400", "1e-400", "-1e30V",
    "nan", "NaN", "inf", "-inf", "45", "45uF", "45µF", "45\u03bcF", "45 \u3bcF", "45 MFD", "10\u2126", "10\u03a9",
    "10 ohm", "24V", "24 V AC", "24 \uff36", "\uff14\uff15uF", "\u0664\u0665 uF", "4\u200b5uF", "45,3uF", "1.234,5 V",
    "1,234.5 V", "1_000V", "0x10V", "12.5A", "60Hz", "75F", "75\u00b0F", "-300C", "5 %", "-5 %", "OL", "OL Mohm",
    "1-2=", "=5ohm", "1-2=3ohm=4", "C-S=3.1ohm", "208/230", "45+5 uF", "45/0 uF", "2025-13-45=1uF", "2025-02-30",
    "9999-12-31", "0001-01-01", "now", "\x1b[2J", "\u202eF\u00b55.4", "\U0001f525", "45uF\U0001f525", "\u0301\u0301",
    "a" * 3000, "-", "--", "---", "-x", "--no-such-option", "-5uF", "--json", "%s%n", "{}", "[red]", "'; drop", "CON",
    "45\x00uF", "\udcff",
)  # fmt: skip
FILES = (
    "empty.toml", "binary.bin", "folder", "no-such-file", "no-such/folder/file", "unreadable.toml", "utf16.csv",
    "deep.toml", "long.csv", "damaged", "damaged/meterlink.db", "meterlink.db", "case.toml", "settings.toml",
    "truck.toml", "visits.csv", "yard.jsonl", "yard.toml", "plan.toml", "picture.svg", ".", "..", "\udcfe.toml",
)  # fmt: skip

PLAN = f'name = "Run capacitor"\n{HERM_POINT}\n'


@dataclass(frozen=True, slots=True)
class Command:
    """A command of the tree: its names, the flags of its options that take values, and of those that take none."""

    names: tuple[str, ...]
    valued: tuple[str, ...]
    bare: tuple[str, ...]
    metavars: tuple[str, ...]


@cache
def commands() -> list[Command]:
    """Return every command of the tree that can be run."""
    return list(_commands(cli, ()))


def _commands(command: click.Command, names: tuple[str, ...]) -> Iterator[Command]:
    context = click.Context(command)
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            yield from _commands(below, (*names, name))
        return
    options = [param for param in command.params if isinstance(param, click.Option)]
    valued = tuple(flag for option in options if not option.is_flag for flag in option.opts)
    bare = tuple(flag for option in options if option.is_flag for flag in option.opts)
    metavars = tuple(param.make_metavar(context) for param in command.params if isinstance(param, click.Argument))
    yield Command(names, valued, bare, metavars)


def command_of(args: Sequence[str]) -> Command:
    """Return the command that a line begins with."""
    return next(command for command in commands() if tuple(args[: len(command.names)]) == command.names)


@cache
def valid_lines() -> list[tuple[str, ...]]:
    """Return the valid lines: the documents' examples, the calls of the judge, and `SEEDS`; each once."""
    documented = (tuple(example.args) for page in PAGES for example in examples(page.read_text(encoding="utf-8")))
    called = (("judge", name, *args) for name, args in CALLS.items())
    return list(dict.fromkeys((*documented, *called, *SEEDS)))


def prepare(folder: Path) -> None:
    """Put the files of every page, of the calls and of `SEEDS`, and spoilt files, into ``folder``."""
    for page in PAGES:
        write_page_files(page.read_text(encoding="utf-8"), folder)
    store_visits(folder / "meterlink.db", SEASONS)
    write_files(folder)
    (folder / "stock.toml").write_text(STOCK, encoding="utf-8")  # the one of the documents has a mistake
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    (folder / "restock.csv").write_text("part,rating,buy\ncapacitor,45+5 µF 440 V,1\n", encoding="utf-8")
    (folder / "empty.toml").touch()
    (folder / "binary.bin").write_bytes(bytes(range(256)) * 4)
    (folder / "folder").mkdir()
    (folder / "unreadable.toml").write_text("a = 1\n", encoding="utf-8")
    (folder / "unreadable.toml").chmod(0)
    (folder / "utf16.csv").write_text("date,value\n2025-05-01,45\n", encoding="utf-16")
    (folder / "deep.toml").write_text("a = " + "[" * 3000, encoding="utf-8")
    (folder / "long.csv").write_text("date,value,unit\n" + "2025-05-01,45.0,uF\n" * 3000, encoding="utf-8")
    (folder / "picture.svg").write_text("<svg></svg>", encoding="utf-8")
    (folder / "damaged").mkdir()
    (folder / "damaged" / "meterlink.db").write_bytes(b"SQLite format 3\0" + bytes(range(200)) * 20)


class LineWriter:
    """Draws command lines with mistakes; ``random`` makes them repeatable."""

    def __init__(self, random: Random) -> None:
        self._random = random
        self._lines = valid_lines()
        self._values = sorted({value for line in self._lines for value in map(_value, line) if value})

    def draw(self) -> tuple[str, ...]:
        """Return a valid line with one to three mistakes in it."""
        # Every command is as likely as any other, however many examples it has.
        names = self._random.choice(sorted({command_of(line).names for line in self._lines}))
        line = self._random.choice([line for line in self._lines if line[: len(names)] == names])
        command, args = command_of(line), list(line[len(names) :])
        for _ in range(self._random.choice([1, 1, 1, 2, 3])):
            self._spoil(args, command)
        return (*names, *args)

    def _spoil(self, args: list[str], command: Command) -> None:
        # A wrong value is the most common mistake.
        mistakes = (
            self._replace,
            self._edit,
            self._remove,
            self._repeat,
            self._swap,
            self._add_option,
            self._add_argument,
        )
        (mistake,) = self._random.choices(mistakes, weights=(3, 2, 1, 1, 1, 1, 1))
        mistake(args, command)

    def _replace(self, args: list[str], _command: Command) -> None:
        places = [place for place, arg in enumerate(args) if _value(arg)]
        if places:
            place = self._random.choice(places)
            args[place] = _with_value(args[place], self._text())

    def _text(self) -> str:
        return self._random.choice(self._random.choice((TEXTS, TEXTS, FILES, self._values)))

    def _edit(self, args: list[str], _command: Command) -> None:
        """Change some characters of a value."""
        places = [place for place, arg in enumerate(args) if _value(arg)]
        if not places:
            return
        place = self._random.choice(places)
        text = _value(args[place])
        at, new = (
            self._random.randrange(len(text) + 1),
            self._random.choice("-–−+±/.,=0 9eEuµμΩ٣４%\u200b\u202e:;~°'\"VAF"),
        )
        edits = (
            text[:at] + new + text[at:],
            text[:at] + text[at + 1 :],
            text[:at] + new + text[at + 1 :],
            text.replace(".", ","),
            text.upper(),
            unicodedata.normalize("NFD", text),
            text * 2,
        )
        args[place] = _with_value(args[place], self._random.choice(edits))

    def _remove(self, args: list[str], _command: Command) -> None:
        if args:
            del args[self._random.randrange(len(args))]

    def _repeat(self, args: list[str], _command: Command) -> None:
        if args:
            place = self._random.randrange(len(args))
            args[place:place] = args[place : place + self._random.choice([1, 2])]

    def _swap(self, args: list[str], _command: Command) -> None:
        """Exchange the values of two options or arguments."""
        places = [place for place, arg in enumerate(args) if _value(arg)]
        if len(places) > 1:
            first, second = self._random.sample(places, 2)
            values = _value(args[first]), _value(args[second])
            args[first], args[second] = _with_value(args[first], values[1]), _with_value(args[second], values[0])

    def _add_option(self, args: list[str], command: Command) -> None:
        flag = self._random.choice((*command.valued, *command.valued, *command.bare, "--data", "--help"))
        added = [flag] if flag in command.bare or flag == "--help" else [flag, self._text()]
        if len(added) == 2 and flag.startswith("--") and self._random.random() < 0.5:
            added = ["=".join(added)]
        place = self._random.randint(0, len(args))
        args[place:place] = added

    def _add_argument(self, args: list[str], _command: Command) -> None:
        args.insert(self._random.randint(0, len(args)), self._text())


def _value(arg: str) -> str:
    """Return the value in an argument of a line: that of ``--option=value``, or the argument; empty for a flag."""
    option, equals, value = arg.partition("=")
    if option.startswith("-") and not equals:
        return ""
    return value if option.startswith("--") else arg


def _with_value(arg: str, value: str) -> str:
    option, equals, _ = arg.partition("=")
    return f"{option}={value}" if equals and option.startswith("--") else value

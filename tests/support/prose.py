"""Count the sentences of docstrings and comments that hide a noun behind 'what', 'whoever', 'whatever' or 'such as'.

``python tests/support/prose.py [--list] [PATH ...]`` reads the Python files below PATH (default: the packages and the
tests). Questions may ask 'what'. Exit status 1 when the share is not under the limit.
"""

import ast
import inspect
import io
import re
import sys
import tokenize
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]
FOLDERS = ("meterlink", "drivers", "tui", "simulators", "tests")
LIMIT = 0.005  # of all sentences: a reader meets one in 200

_HIDDEN_NOUN = re.compile(
    r"\b(?:what|whoever|whatever|whichever|such as (?:all|that|those|they|it|is|was|are|were|can|may|must|has|have))\b",
    re.IGNORECASE,
)
_CODE = re.compile(r"``[^`]*``|`[^`]*`|\"[^\"]*\"|'[^' ]+'")
_END = re.compile(r"(?<=[.!?:;])\s+(?=[A-Z`\"(])|\n\s*\n|\n\s*[-*] ")
_NO_PROSE = re.compile(r"#\s*(?:noqa|type:|fmt:|pragma|!)")
_WORDS = re.compile(r"[A-Za-z]{2,}")


class Sentence(NamedTuple):
    """One sentence: its file, the line its docstring or comment begins on, its text on one line."""

    path: Path
    line: int
    text: str


def sentences(path: Path) -> Iterator[Sentence]:
    """Yield the sentences of a Python file's docstrings and comments; one has two words at least."""
    source = path.read_text(encoding="utf-8")
    for line, text in [*_docstrings(source), *_comments(source)]:
        for part in _END.split(text):
            if len(_WORDS.findall(part)) > 1:
                yield Sentence(path, line, " ".join(part.split()))


def _docstrings(source: str) -> Iterator[tuple[int, str]]:
    """Yield every string that is a statement of its own: of a module, class, function or constant."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            yield node.lineno, inspect.cleandoc(node.value.value)


def _comments(source: str) -> Iterator[tuple[int, str]]:
    """Yield comments; lines that follow each other without code between are one text."""
    first, last, text = 0, -1, ""
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type != tokenize.COMMENT or _NO_PROSE.match(token.string):
            continue
        alone = token.line.lstrip().startswith("#")
        if alone and token.start[0] == last + 1:
            text, last = f"{text} {token.string.lstrip('# ')}", token.start[0]
            continue
        if text:
            yield first, text
        first, last, text = token.start[0], token.start[0] if alone else -1, token.string.lstrip("# ")
    if text:
        yield first, text


def hides_a_noun(text: str) -> bool:
    """Return whether a sentence uses one of the words where a noun belongs; code and questions do not count."""
    return not text.endswith("?") and _HIDDEN_NOUN.search(_CODE.sub("", text)) is not None


def main(arguments: list[str]) -> int:
    """Print the count, with ``--list`` the sentences."""
    listed = "--list" in arguments
    given = [Path(argument) for argument in arguments if argument != "--list"] or [ROOT / name for name in FOLDERS]
    files = sorted(path for place in given for path in ([place] if place.is_file() else place.rglob("*.py")))
    everything = [sentence for path in files for sentence in sentences(path)]
    hidden = [sentence for sentence in everything if hides_a_noun(sentence.text)]
    for sentence in hidden if listed else ():
        print(f"{sentence.path}:{sentence.line}: {sentence.text}")
    share = len(hidden) / max(1, len(everything))
    print(f"{len(hidden)} of {len(everything):,} sentences hide a noun ({share:.2%}; limit {LIMIT:.2%})")
    return int(share >= LIMIT)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

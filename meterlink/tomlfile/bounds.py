"""Bounds on a TOML text, checked before it is parsed: tomllib's memory grows with the square of a key's parts."""

import re

from meterlink.tomlfile.positions import Position
from meterlink.tomlfile.problems import Problem

MOST_KEY_PARTS = 16  # the deepest key of any file of ours has 4
MOST_NESTING = 16  # brackets within brackets; the deepest value of any file of ours has 4

# Groups repeat with `*`, never with `*+`: Python 3.11.2 gives up too early on a possessive group (tried; CPython issue
# 106052, from memory). Nothing is tried twice all the same, because no two alternatives begin alike.
_PART = r"""(?:[A-Za-z0-9_-]++|"[^"\\\n]*+(?:\\.[^"\\\n]*+)*"|'[^'\n]*+')"""
# A multi-line string may end in up to two quotes of its own.
_LINES = r"""\"{3}[^"\\]*+(?:(?:\\.|"(?!""))[^"\\]*+)*"{3,5}|'{3}[^']*+(?:'(?!'')[^']*+)*'{3,5}"""
# Everything between brackets and dotted keys. Python remembers each repeat of a group: at most a hundred at once.
_SKIPPED = rf"""(?:[^A-Za-z0-9_\-"'#\[\]{{}}]++|(?!"{{3}}|'{{3}}){_PART}(?![ \t]*+\.)|\#[^\n]*+|{_LINES}){{1,100}}"""
_TOKEN = re.compile(
    # Quotes that begin no complete string are `unended`.
    rf"""{_SKIPPED}|(?P<open>[\[{{])|(?P<close>[\]}}])"""
    rf"""|(?P<key>(?!"{{3}}|'{{3}}){_PART}(?:[ \t]*+\.[ \t]*+{_PART})*)|(?P<unended>["'])""",
    re.DOTALL,
)


def find_excess(text: str) -> Problem | None:
    """Return the problem of the first key with too many parts or the first brackets too deep in ``text``, or None."""
    depth = 0
    for token in _TOKEN.finditer(text):
        match token.lastgroup:
            case "key" if token["key"].count(".") >= MOST_KEY_PARTS and len(_parts(token["key"])) > MOST_KEY_PARTS:
                message = f"a key has more than {MOST_KEY_PARTS} parts."
                return Problem(_position(text, token.start("key")), "", message, "Write tables with short keys.")
            case "open":
                depth += 1
                if depth > MOST_NESTING:
                    message = f"brackets are nested more than {MOST_NESTING} deep."
                    return Problem(_position(text, token.start("open")), "", message, "Close the brackets before.")
            case "close":
                depth = max(0, depth - 1)
            case "unended":  # tomllib reads no further
                return None
    return None


def _parts(key: str) -> list[str]:
    return re.findall(_PART, key)


def _position(text: str, offset: int) -> Position:
    return Position(text.count("\n", 0, offset) + 1, offset - text.rfind("\n", 0, offset))

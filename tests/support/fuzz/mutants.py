"""Mutants of valid bytes, texts and JSON values: flips, cuts, copies, huge numbers, deep nests, signs of all kinds.

Each function makes a few changes at most: the rest stays valid, and carries the change to the later checks.
"""

import json
import re
from collections.abc import Callable, Sequence
from random import Random
from typing import Any

# Controls, brackets and quotes of every format here, bidirectional and invisible characters, spaces of many kinds.
SIGNS = (
    "\x00\x01\x07\x08\t\n\x0b\r\x1b\x7f\x85\x9b\x9d\xa0\xad\u200b\u200d\u200e\u2028\u2029\u202a\u202e\u2066\u2069\u3000"
    "\ufeff\ufffe\uffff\ue000\U000e0001\U0010ffff[]{}()<>\"'`\\/|&;:,.=+-*#@%$~^!?_"
)
LETTERS = "aZ09 éßİıſΩµμ\u0301\u0315\u0300\u0345\u1100\u1161\u11a8ﬁ٣३𝟑Ⅷ½²中日🔧👩\u200d🔧"
SURROGATES = "\ud800\udbff\udc00\udfff"
HUGE_NUMBERS = (
    "0", "-0", "-1", "1e-400", "1e999", "1E+30", "1e31", "-1e308", "9" * 19, "9" * 40, "9" * 400, "9" * 4_400, "NaN",
    "nan", "inf", "-Infinity", "0x" + "f" * 4_000, "1_000", "1,000", "0.1.2", "00", ".5", "5.", "1e", "0" * 300 + "1",
    "0." + "0" * 300 + "1", "9223372036854775807", "9223372036854775808", "-9223372036854775809", "١٢٣", "½",
)  # fmt: skip
WORDS = (
    "", "null", "true", "OL", "NaN", "__class__", "../../etc/passwd", "'; DROP TABLE visits;--", "=1+1", "<b>",
    "\r\n", "[@click=app.quit]x", "\x1b[2J", "\x1b]0;x\x07", "{}", "%s%n", "{0.__class__}", "\\u0000", "CON",
    "a" * 41, "🔧" * 40,
)  # fmt: skip
_LONG = (300, 5_000, 70_000)  # characters; the last is rare, as it takes time
NEST = "a nest of brackets"
"""Stands in a value for lists or objects within each other, more than `json` can write; see `written_json`."""
# Around Python's limit of recursion (1,000): some readers reach it earlier than the parser before them did.
_DEPTHS = (2, 20, 150, 240, 320, 470, 490, 1_500, 20_000)
_NUMBER = re.compile(r"[-+]?[0-9][0-9.eE]*")
_VALUE = re.compile(r'"[^"\\\n]*"|(?<==\s)[0-9a-z.+-]+')
_WORD = re.compile(r"[A-Za-z_][A-Za-z0-9_-]*")


def hostile_text(rng: Random, longest: int = 60, *, surrogates: bool = False) -> str:
    """Return a text of letters of many scripts with signs that no name needs; seldom a very long one."""
    kind = rng.randrange(40)
    if kind == 0:
        return rng.choice(HUGE_NUMBERS)
    if kind < 3:
        return rng.choice(WORDS)
    if kind == 3:
        length = rng.choice(_LONG) if rng.randrange(20) == 0 else 300
        return "".join(rng.choices(rng.choice((SIGNS, LETTERS, LETTERS + SIGNS, "\u0301\u0315", "ab c")), k=length))
    alphabet = rng.choice((LETTERS, LETTERS + SIGNS, "abc XYZ 019", SIGNS))
    if surrogates and rng.randrange(8) == 0:
        alphabet += SURROGATES
    return "".join(rng.choices(alphabet, k=rng.randrange(longest + 1)))


def mutate_text(rng: Random, text: str, *, surrogates: bool = False, most: int = 3) -> str:
    """Return a text with one to ``most`` changes."""
    for _ in range(rng.randint(1, most)):
        text = rng.choice(_TEXT_CHANGES)(rng, text)
    if surrogates and rng.randrange(20) == 0:
        text = _insert(rng, text, rng.choice(SURROGATES))
    return text


def mutate_values(rng: Random, text: str, *, most: int = 2) -> str:
    """Return a text of TOML with one to ``most`` changes, each within quotes or of a bare number or word."""
    for _ in range(rng.randint(1, most)):
        text = _replace_match(rng, text, _VALUE, lambda found: _changed_value(rng, found))
    return text


def _changed_value(rng: Random, found: str) -> str:
    if found.startswith('"'):
        inside = found[1:-1]
        changed = hostile_text(rng) if rng.randrange(4) == 0 else rng.choice(_SHORT_CHANGES)(rng, inside)
        return json.dumps(changed, ensure_ascii=rng.randrange(2) == 0).replace("\x7f", "\\u007f")
    return rng.choice(
        (*HUGE_NUMBERS, "true", "[]", "{}", '"x"', "[1, [2]]", "2026-13-45", "07:32:00", f"{found}0", "-1")
    )


def mutate_bytes(rng: Random, data: bytes, *, most: int = 3) -> bytes:
    """Return bytes with one to ``most`` changes."""
    for _ in range(rng.randint(1, most)):
        data = rng.choice(_BYTE_CHANGES)(rng, data)
    return data


def mutate_json(rng: Random, value: Any, *, most: int = 3) -> Any:
    """Return a JSON value with one to ``most`` changes, each at any depth; ``value`` itself is changed."""
    for _ in range(rng.randint(1, most)):
        value = _change_json(rng, value)
    return value


def written_json(rng: Random, value: Any) -> str:
    """Return the text of a JSON value, with a deep nest in the place of each `NEST`; a text has no half character."""
    text = json.dumps(value, ensure_ascii=rng.randrange(2) == 0).encode(errors="replace").decode()
    while NEST in text:
        depth, (opened, closed) = _depth(rng), rng.choice((("[", "]"), ('{"a":', "}")))
        text = text.replace(f'"{NEST}"', opened * depth + "0" + closed * depth, 1).replace(NEST, "", 1)
    return text


def hostile_value(rng: Random) -> Any:
    """Return a JSON value that is seldom expected: of another type, empty, huge, or nested."""
    kind = rng.randrange(12)
    if kind < 4:
        return hostile_text(rng, surrogates=True)
    if kind < 7:
        return rng.choice((0, -1, 1, 0.5, 2**31, 2**53 + 1, 2**63, -(2**63) - 1, 10**30, 10**400, 1e308, -1e-320))
    if kind == 7:
        return rng.choice((float("nan"), float("inf"), -float("inf")))
    if kind == 8 and rng.randrange(4) == 0:
        return NEST
    return rng.choice((None, True, False, [], {}, [[]], [{}], [None], ["x"], {"a": {"b": []}}, {"": 0}, [1] * 50))


def _depth(rng: Random) -> int:
    return rng.randrange(900, 1_000) if rng.randrange(4) == 0 else rng.choice(_DEPTHS)


def deep_text(rng: Random) -> str:
    """Return opened brackets, of which some are closed again."""
    depth = _depth(rng)
    opened, closed = rng.choice((("[", "]"), ('{"a":', "}"), ("{a=", "}"), ("(", ")")))
    return opened * depth + rng.choice(("", "0", '""')) + closed * rng.choice((0, depth, depth - 1))


# Changes of a sequence


def _slice(rng: Random, sequence: Sequence[Any], longest: int = 40) -> slice:
    begin = rng.randrange(len(sequence) + 1)
    return slice(begin, min(len(sequence), begin + rng.randrange(longest)))


def _insert(rng: Random, text: str, piece: str) -> str:
    place = rng.randrange(len(text) + 1)
    return text[:place] + piece + text[place:]


def _cut(rng: Random, sequence: Any) -> Any:
    return sequence[: rng.randrange(len(sequence) + 1)]


def _leave_out(rng: Random, sequence: Any) -> Any:
    part = _slice(rng, sequence)
    return sequence[: part.start] + sequence[part.stop :]


def _copy_part(rng: Random, sequence: Any) -> Any:
    part = _slice(rng, sequence)
    place = rng.randrange(len(sequence) + 1)
    return sequence[:place] + sequence[part] * rng.choice((1, 1, 1, 2, 30)) + sequence[place:]


def _flip_character(rng: Random, text: str) -> str:
    if not text:
        return rng.choice(SIGNS)
    place = rng.randrange(len(text))
    changed = chr(ord(text[place]) ^ 1 << rng.randrange(7))
    return text[:place] + changed + text[place + 1 :]


def _insert_signs(rng: Random, text: str) -> str:
    return _insert(rng, text, "".join(rng.choices(SIGNS + LETTERS, k=rng.randint(1, 4))))


def _insert_word(rng: Random, text: str) -> str:
    return _insert(rng, text, rng.choice(WORDS))


def _insert_long(rng: Random, text: str) -> str:
    if rng.randrange(8):
        return _insert_signs(rng, text)
    return _insert(rng, text, deep_text(rng) if rng.randrange(2) else hostile_text(rng))


def _replace_match(rng: Random, text: str, pattern: re.Pattern[str], replacement: Callable[[str], str]) -> str:
    # From a random place on: to list all matches of a long text would take longer than to read it.
    match = pattern.search(text, rng.randrange(len(text) + 1)) or pattern.search(text)
    return text if match is None else text[: match.start()] + replacement(match[0]) + text[match.end() :]


def _change_number(rng: Random, text: str) -> str:
    def changed(number: str) -> str:
        kind = rng.randrange(3)
        if kind == 0:
            return rng.choice(HUGE_NUMBERS)
        return number + rng.choice("0123456789.e-") if kind == 1 else f"{rng.randrange(-10, 1_000)}"

    return _replace_match(rng, text, _NUMBER, changed)


def _change_word(rng: Random, text: str) -> str:
    other = _WORD.search(text, rng.randrange(len(text) + 1))
    return _replace_match(rng, text, _WORD, lambda word: other[0] if other and rng.randrange(4) else word.upper())


def _change_lines(rng: Random, text: str) -> str:
    """Copy, leave out or exchange a line."""
    lines = text.split("\n")
    one, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    kind = rng.randrange(3)
    if kind == 0:
        lines[one], lines[other] = lines[other], lines[one]
    elif kind == 1:
        lines.insert(one, lines[other])
    else:
        del lines[one]
    return "\n".join(lines)


_TEXT_CHANGES: tuple[Callable[[Random, str], str], ...] = (
    _flip_character, _insert_signs, _insert_word, _insert_long, _change_number, _change_number, _change_word,
    _change_word, _change_lines, _change_lines, _leave_out, _copy_part, _cut,
)  # fmt: skip


_SHORT_CHANGES = (
    _flip_character, _insert_signs, _insert_word, _change_number, _change_number, _change_word, _leave_out, _copy_part,
    _cut,
)  # fmt: skip


def _flip_bit(rng: Random, data: bytes) -> bytes:
    if not data:
        return rng.randbytes(1)
    place = rng.randrange(len(data))
    return data[:place] + bytes([data[place] ^ 1 << rng.randrange(8)]) + data[place + 1 :]


def _overwrite(rng: Random, data: bytes) -> bytes:
    part = _slice(rng, data, 5)
    extreme = rng.choice((b"\x00", b"\xff", b"\x7f", b"\x80", b"\x9f", b"\xbf"))
    piece = extreme * 4 if rng.randrange(2) else rng.randbytes(4)
    return data[: part.start] + piece[: part.stop - part.start] + data[part.stop :]


def _insert_bytes(rng: Random, data: bytes) -> bytes:
    place = rng.randrange(len(data) + 1)
    piece = rng.choice(WORDS).encode() if rng.randrange(4) == 0 else rng.randbytes(rng.randint(1, 9))
    return data[:place] + piece + data[place:]


_BYTE_CHANGES: tuple[Callable[[Random, bytes], bytes], ...] = (
    _flip_bit, _flip_bit, _flip_bit, _overwrite, _overwrite, _insert_bytes, _leave_out, _copy_part, _cut,
)  # fmt: skip


# Changes of a JSON value


def _change_json(rng: Random, value: Any) -> Any:
    """Change one place, found by a walk that stops at a random depth."""
    container, key = _place(rng, value)
    if container is None:
        return hostile_value(rng)
    kind = rng.randrange(9)
    if kind == 0:
        del container[key]
    elif kind == 1 and isinstance(container, dict):
        container[rng.choice(WORDS) or hostile_text(rng)] = container.pop(key)
    elif kind == 1:
        container[key:key] = [container[key]] * rng.choice((1, 1, 2, 40))
    elif kind == 2:
        _, other = (
            container,
            rng.choice(list(container)) if isinstance(container, dict) else rng.randrange(len(container)),
        )
        container[key], container[other] = container[other], container[key]
    elif kind <= 5:
        container[key] = _like(rng, container[key])
    else:
        container[key] = hostile_value(rng)
    return value


def _place(rng: Random, value: Any) -> tuple[Any, Any]:
    container: Any = None
    key: Any = None
    while isinstance(value, dict | list) and value:
        container = value
        key = rng.choice(list(value)) if isinstance(value, dict) else rng.randrange(len(value))
        value = container[key]
        if rng.randrange(6) == 0:
            break
    return container, key


def _like(rng: Random, value: Any) -> Any:
    """Return a value of the same type."""
    match value:
        case bool():
            return not value
        case int():
            return rng.choice((0, 1, -1, value + 1, -value, 2**31, 2**63 - 1, 2**63, 10**30))
        case float():
            return rng.choice((0.0, -0.0, -value, value * 1e300, 1e-320, 5e-324))
        case str():
            return mutate_text(rng, value, surrogates=True, most=2)
    return value

"""The columns whose text is JSON, and the shape that every later reader of each takes for granted. Pure."""

import json
from collections.abc import Callable

from meterlink.core.errors import InputError
from meterlink.core.nesting import is_too_deep

_RATING_PARTS = 3  # the old text, the time at which it was set or null, the new text


def check_json_column(name: str, text: str) -> None:
    """Do nothing if ``text`` can stand in the column ``name``.

    Raises:
        InputError: it is no JSON, or of another shape.
    """
    try:
        value = json.loads(text)
        json.dumps(value, ensure_ascii=False, allow_nan=False).encode()  # JSON can escape half a character
    except (ValueError, RecursionError) as error:
        raise InputError(f"{name} is no JSON: {error}.", "Write what the export wrote.") from error
    if is_too_deep(value) or not _SHAPES[name](value):
        raise InputError(f"{name} has another shape than in an export.", "Write what the export wrote.")


def _is_list_of_tables(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(table, dict) for table in value)


def _is_list_of_texts(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(text, str) for text in value)


def _is_texts_by_key(value: object) -> bool:
    return isinstance(value, dict) and all(isinstance(text, str) for text in value.values())


def _is_ratings_by_key(value: object) -> bool:
    return isinstance(value, dict) and all(map(_is_rating, value.values()))


def _is_rating(value: object) -> bool:
    if not isinstance(value, list) or len(value) != _RATING_PARTS:
        return False
    old, set_utc_ns, new = value
    return isinstance(old, str) and (set_utc_ns is None or type(set_utc_ns) is int) and isinstance(new, str)


_SHAPES: dict[str, Callable[[object], bool]] = {
    "derived": _is_list_of_tables,
    "answers": _is_texts_by_key,
    "carried_answers": _is_texts_by_key,
    "sections": _is_list_of_texts,
    "ratings": _is_ratings_by_key,
}

"""The differences between two states of a visit, each named in words."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from meterlink.seal.canonical import Json, canonical_text

_NOUNS = {
    "points": "test point",
    "readings": "reading",
    "verdicts": "verdict",
    "voids": "void",
    "corrections": "correction",
    "replacements": "replacement",
    "replaced": "replacement",  # in a report
    "facts": "fact",
    "notes": "note",
}
_LONGEST = 60  # characters of a value in a line; the place says where to look
_SHORT_ID = 8  # characters of an identifier, as in the lists of visits


@dataclass(frozen=True, slots=True)
class Difference:
    """A value that differs. ``place`` is where; ``before`` and ``after`` are the values, empty for none."""

    place: str
    before: str
    after: str

    def __str__(self) -> str:
        if not self.before:
            return f"{self.place}: added"
        if not self.after:
            return f"{self.place}: removed"
        if self.before.startswith("sha256:"):
            return f"{self.place}: another text"
        return f"{self.place}: {self.after}, before: {self.before}"


def differences(before: Json, after: Json) -> list[Difference]:
    """Return the differences between two states of a visit; none where both are the same."""
    return list(_differences("", before, after))


def _differences(place: str, before: Json, after: Json) -> Iterator[Difference]:
    if isinstance(before, dict) and isinstance(after, dict):
        for key in [*before, *(key for key in after if key not in before)]:
            yield from _member_differences(_join(place, key), key, before, after)
    elif isinstance(before, list) and isinstance(after, list) and _is_named(before) and _is_named(after):
        yield from _item_differences(place, before, after)
    elif canonical_text(before) != canonical_text(after):  # 1 and true, 1 and 1.0 are equal in Python
        yield Difference(place or "the visit", _text(before), _text(after))


def _member_differences(place: str, key: str, before: dict[str, Json], after: dict[str, Json]) -> Iterator[Difference]:
    if key not in after:
        yield Difference(place, _text(before[key]), "")
    elif key not in before:
        yield Difference(place, "", _text(after[key]))
    else:
        yield from _differences(place, before[key], after[key])


def _item_differences(place: str, before: Sequence[Json], after: Sequence[Json]) -> Iterator[Difference]:
    """Yield the differences between two lists of objects, each found by its name; their order counts, too."""
    olds, news = ({_name(item): item for item in items} for items in (before, after))
    if len(olds) < len(before) or len(news) < len(after):
        yield Difference(f"{place}: the number", str(len(before)), str(len(after)))
    for name, old in olds.items():
        item_place = _item_place(place, name, old)
        if name in news:
            yield from _differences(item_place, old, news[name])
        else:
            yield Difference(item_place, name, "")
    for name, new in news.items():
        if name not in olds:
            yield Difference(_item_place(place, name, new), "", name)
    orders = [
        [_name(item) for item in items if _name(item) in olds and _name(item) in news] for items in (before, after)
    ]
    if orders[0] != orders[1]:
        yield Difference(f"the order of the {place}", *(", ".join(map(_short, order)) for order in orders))


def _is_named(items: Sequence[Json]) -> bool:
    return all(_name(item) for item in items)


def _name(item: Json) -> str:
    if not isinstance(item, dict):
        return ""
    name = item.get("uid", item.get("key"))
    return name if isinstance(name, str) else ""


def _item_place(place: str, name: str, item: Json) -> str:
    path, _, last = place.rpartition(", ")
    noun = f"{_NOUNS.get(last, last)} {_short(name)}"
    point = item.get("point") if isinstance(item, dict) else None
    return _join(path, f"{noun} ({point})" if point else noun)


def _short(name: str) -> str:
    return name[:_SHORT_ID] if name.count("-") == 4 else name


def _join(place: str, name: str) -> str:
    return f"{place}, {name.replace('_', ' ')}" if place else name.replace("_", " ")


def _text(value: Json) -> str:
    text = value if isinstance(value, str) and value else canonical_text(value)
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 1]}…"

"""Names that a person or a device gives: cleaned once, and safe in each place where they are written."""

import re
import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from html.parser import HTMLParser
from pathlib import Path
from random import Random

from meterlink.cli.output import printable_text
from meterlink.core.equipment import Meter
from meterlink.core.text import LONGEST_NAME, clean_text, did_you_mean, named_device, without_controls
from meterlink.publish.topics import LONGEST_LEVEL, topic_level
from meterlink.record.markup import element
from meterlink.record.senml import name_part, unique_meter_name
from meterlink.record.spreadsheet_text import from_spreadsheet, to_spreadsheet
from meterlink.station.place_names import place_name
from meterlink.tomlfile.files import printable_path
from studies.fuzz.target import Target
from support.fuzz.mutants import hostile_text, mutate_text

_VALID = (
    "Mill Lane bakery",
    "condenser, north roof",
    "clamp meter",
    "run capacitor HERM",
    "Ω meter 2",
    "C–HERM",
    "O'Neil",
)
_UNSAFE = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufeff\ue000-\uf8ff\ud800-\udfff]")
_LINE_ENDS = dict.fromkeys(map(ord, "\t\n\u2028\u2029"))  # they may stay in a remark
_KNOWN = [f"{name} {number}" for name in _VALID for number in range(4)]


@contextmanager
def name_targets(_folder: Path) -> Iterator[Sequence[Target]]:
    """Yield the readers of names."""
    yield (
        Target("cleaning", 40, _draw, _clean, least_past=1, least_accepted=0.9),
        Target("place names", 30, _draw, _place, first=r"^A name is missing", least_past=0.8, least_accepted=0.5),
        Target("names in outputs", 20, _draw, _write, least_past=1, least_accepted=0.99),
        Target("nearest name", 10, _draw, _nearest, least_past=1, least_accepted=0.99),
    )


def _draw(rng: Random) -> str:
    if rng.randrange(2):
        return hostile_text(rng, surrogates=True)
    return mutate_text(rng, rng.choice(_VALID), surrogates=True)


def _is_safe(text: str) -> bool:
    """Return whether a text can be written anywhere; the unsafe characters are listed, not asked of the cleaner."""
    text.encode()
    return not _UNSAFE.search(text) and not any(unicodedata.category(char)[0] == "C" for char in text)


def _clean(text: str) -> str:
    for longest in (0, 7, LONGEST_NAME):
        name = clean_text(text, longest)
        assert len(name) <= longest
        assert _is_safe(name)
        assert not set(name) & set("[]")
        assert name == name.strip()
        assert clean_text(name, longest) == name
    name = clean_text(text)
    remark = without_controls(text)
    assert _is_safe(remark.translate(_LINE_ENDS))
    assert without_controls(remark) == remark
    assert _is_safe(printable_text(text))
    assert _is_safe(named_device(name, "00:00:5E:00:53:0A"))
    assert "\n" not in printable_path(text)
    if not name:
        return "nothing left"
    return "as it was" if name == text else "cleaned"


def _place(text: str) -> str:
    name = place_name(text)
    assert 0 < len(name) <= LONGEST_NAME
    assert _is_safe(name)
    assert place_name(name) == name
    return "name"


class _Text(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.tags: list[tuple[str, list[tuple[str, str | None]]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, attrs))

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def _write(text: str) -> str:
    name = clean_text(text)
    level = topic_level(text)
    assert level
    assert not set(level) & set("+#/\0")
    assert len(level.encode()) <= LONGEST_LEVEL
    for part in (name_part(text), name_part(unique_meter_name(Meter("00:00:5E:00:53:0A", text)))):
        assert re.fullmatch(r"[A-Za-z0-9:._-]+", part)
    page = _Text()
    page.feed(element("p", name, title=name))
    page.close()
    assert page.tags == [("p", [("title", name)])]
    assert "".join(page.texts) == name
    cell = to_spreadsheet(text)
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    assert from_spreadsheet(cell) == text
    return "written"


def _nearest(text: str) -> str:
    sentence = did_you_mean(text, _KNOWN)
    assert not sentence or sentence.removeprefix("Did you mean ").removesuffix("?") in _KNOWN
    return "one" if sentence else "none"

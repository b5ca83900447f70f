"""The arrangement for the size of the screen, and the rows that each part of it gets: pure.

The rows are shared in the order of importance. A stop and the cautions come first: nothing pushes them off the screen.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from typing import Literal, NamedTuple

from textual.content import Content

from meterlink_tui.scene import Scene, narrow_caution
from meterlink_tui.widgets.live import phase_content, useful_rows
from meterlink_tui.widgets.sentences import (
    alerts_content,
    cautions_content,
    heading_content,
    question_content,
    rows_of,
    sentences_content,
    stop_content,
)

_LEAST_LIST_ROWS = 6  # the row that is active, and its neighbours
_WIDEST_SINGLE = 70  # columns; below 71 two lists side by side would cut their names
_PADDING = 2  # columns beside a text
_SCROLLBAR = 1  # column
_TARGET_DIGITS, _TARGET_VERDICT = 10, 5  # rows of lettering in the large view, before anything but texts gets a row
_DIGITS_SHARE = 2 / 3  # of the rows that digits and verdict share in the large view


class Arrangement(NamedTuple):
    """The layout of the screen: its style class, and the columns for the reading."""

    name: Literal["single", "double", "roomy", "large"]
    reading_width: int


class Goal(NamedTuple):
    """A number of rows for a part of the screen: as many of them as are left, or all of them or none."""

    part: str
    rows: int
    all_or_none: bool = False


class Texts(NamedTuple):
    """The texts whose rows depend on their length; None: there is none."""

    stop: Content | None
    alerts: Content | None
    heading: Content | None
    phase: Content | None
    reason: Content | None
    question: Content | None
    advice: Content | None
    caution: Content | None


def arrangement_for(width: int, height: int, *, large: bool = False) -> Arrangement:
    """Return the arrangement for ``width`` columns and ``height`` rows: single up to 70 columns, roomy from 110×34."""
    if large:
        return Arrangement("large", width - _PADDING)
    if width <= _WIDEST_SINGLE:
        return Arrangement("single", width - _PADDING - _SCROLLBAR)
    if width >= 110 and height >= 34:
        return Arrangement("roomy", width * 3 // 5 - _PADDING - _SCROLLBAR)
    return Arrangement("double", width - _PADDING - _SCROLLBAR)


def texts_of(scene: Scene, width: int, arrangement: Arrangement, caution_key: str, question_key: str) -> Texts:
    """Return the texts of ``scene`` for a screen of ``width`` columns; ``caution_key`` shows a short caution whole,
    ``question_key`` an open question in words.
    """
    single, large = arrangement.name == "single", arrangement.name == "large"
    hint = f"{caution_key} more" if scene.cautions_are_brief else ""
    specification = "" if single else scene.specification
    return Texts(
        stop=stop_content(scene.stop, width - _PADDING),
        alerts=alerts_content(scene.alerts),
        heading=heading_content(scene.title, scene.terminals, specification),
        phase=phase_content(scene.phase, scene.verdict),
        reason=None
        if large
        else sentences_content("", "strong", scene.specification if single else "", scene.verdict.reason),
        question=question_content(scene.question, question_key),
        advice=sentences_content("NEXT", "hint", scene.advice),
        caution=cautions_content(cautions_for(scene.cautions, width), hint),
    )


def cautions_for(cautions: tuple[str, ...], width: int) -> tuple[str, ...]:
    """Return the cautions for a screen of ``width`` columns: on a narrow one as many whole sentences as have room."""
    return tuple(map(narrow_caution, cautions)) if width <= _WIDEST_SINGLE else cautions


def share_rows(rows: int, goals: Iterable[Goal]) -> Counter[str]:
    """Return the rows of each part: ``rows`` are given to the goals in their order. A part may have several goals."""
    shares: Counter[str] = Counter()
    for part, wanted, all_or_none in goals:
        extra = max(0, wanted - shares[part])
        if extra > rows and all_or_none:
            continue
        shares[part] += min(extra, rows)
        rows -= min(extra, rows)
    return shares


def rows_for(scene: Scene, texts: Texts, arrangement: Arrangement, width: int, height: int) -> Mapping[str, int]:
    """Return the rows of each part of the screen."""
    full, bench = width - _PADDING, arrangement.reading_width
    needed = {
        part: rows_of(content, bench if part in {"heading", "phase", "reason"} else full)
        for part, content in texts._asdict().items()
    }
    match arrangement.name:
        case "large":
            return _large_rows(needed, scene, bench, height)
        case "double":
            return share_rows(height, _double_goals(needed, scene))
        case _:
            return share_rows(height, _stacked_goals(needed, roomy=arrangement.name == "roomy"))


def _first_goals(needed: Mapping[str, int]) -> Iterator[Goal]:
    """Yield the goals that come first in every arrangement: the warnings, the reading, the next step."""
    yield Goal("stop", needed["stop"])
    yield Goal("caution", needed["caution"])
    yield Goal("heading", 1)
    yield Goal("advice", 1)
    yield Goal("number", 1)
    yield Goal("alerts", min(2, needed["alerts"]))
    yield Goal("question", needed["question"])
    yield Goal("advice", needed["advice"])


def _double_goals(needed: Mapping[str, int], scene: Scene) -> Iterator[Goal]:
    """Yield the goals for number and verdict side by side: "number" is the height of both."""
    yield from _first_goals(needed)
    yield Goal("list", min(_LEAST_LIST_ROWS, max(1, len(scene.points))))
    yield Goal("number", 3, all_or_none=True)
    yield Goal("phase", 1)
    yield Goal("alerts", needed["alerts"])
    yield Goal("header", 1)
    yield Goal("derived", int(bool(scene.failed_derived)))
    yield Goal("keys", 1)
    yield Goal("number", 5, all_or_none=True)
    yield Goal("scale", 3 if scene.gauge else 0, all_or_none=True)
    for part in ("phase", "heading", "reason"):
        yield Goal(part, needed[part])


def _stacked_goals(needed: Mapping[str, int], *, roomy: bool) -> Iterator[Goal]:
    """Yield the goals for the number above the verdict. A screen of one column scrolls to its lists."""
    yield from _first_goals(needed)
    yield Goal("number", 3, all_or_none=True)
    yield Goal("verdict", 3, all_or_none=True)
    yield Goal("phase", needed["phase"])
    yield Goal("alerts", needed["alerts"])
    yield Goal("header", 1)
    yield Goal("keys", 1)
    yield Goal("heading", needed["heading"])
    yield Goal("derived", 1)
    yield Goal("scale", 3, all_or_none=True)
    for number, verdict in ((5, 5), (8, 7)) if roomy else ((5, 3),):
        yield Goal("number", number, all_or_none=True)
        yield Goal("verdict", verdict, all_or_none=True)
    yield Goal("reason", needed["reason"])


def _large_rows(needed: Mapping[str, int], scene: Scene, width: int, height: int) -> Mapping[str, int]:
    useful = useful_rows(scene.value, width)
    goals = [
        *_first_goals(needed),
        Goal("number", 3, all_or_none=True),
        Goal("verdict", 3, all_or_none=True),
        Goal("verdict", useful.least_verdict, all_or_none=True),
        Goal("number", min(5, useful.most_digits), all_or_none=True),
        Goal("verdict", min(_TARGET_VERDICT, useful.most_verdict), all_or_none=True),
        *(Goal("number", min(rows, useful.most_digits), all_or_none=True) for rows in (8, _TARGET_DIGITS)),
        Goal("phase", 1),
        Goal("scale", 3 if scene.gauge else 0, all_or_none=True),
        Goal("alerts", needed["alerts"]),
        Goal("phase", needed["phase"]),
        Goal("heading", needed["heading"]),
        Goal("header", 1),
        Goal("derived", int(bool(scene.failed_derived))),
        Goal("keys", 1),
    ]
    shares = share_rows(height, goals)
    lettering = shares["number"] + shares["verdict"] + height - shares.total()
    wanted = min(useful.most_digits, round(lettering * _DIGITS_SHARE), lettering - shares["verdict"])
    shares["number"] = max(shares["number"], wanted)
    shares["verdict"] = max(shares["verdict"], min(useful.most_verdict, lettering - shares["number"]))
    return shares

"""The rows of the screen: no part pushes a stop or a caution off, at any size and in any state."""

from typing import Any

import pytest

from meterlink_tui.arrangement import Goal, arrangement_for, rows_for, share_rows, texts_of
from meterlink_tui.latest_messages import LatestMessages
from meterlink_tui.scene import Scene, compose_scene
from meterlink_tui.widgets.sentences import cut_rows, rows_of, sentences_content
from support.dashboard_views import MORE_STATES, STATES, STOP, accepted, live, meters, point, visit

SIZES = [(40, 24), (62, 20), (80, 24), (120, 40), (200, 60)]
LONG = "A caution of a plan with many hazards, each in a sentence of its own. " * 10  # 700 characters, as the longest
QUESTION: Any = {"question": "Which of them did the display show? " * 3, "choices": [], "usual": None}


def scene_of(messages: list[Any], **more: Any) -> Scene:
    latest = LatestMessages()
    for message in messages:
        latest.put(message)
    return compose_scene(latest, 0.0, None, **more)


def shares(scene: Scene, width: int, height: int, *, large: bool) -> tuple[dict[str, int], dict[str, int]]:
    """Return the rows that the parts get, and those that their texts need."""
    arrangement = arrangement_for(width, height, large=large)
    texts = texts_of(scene, width, arrangement, "i", "o")
    needed = {part: rows_of(content, width - 2) for part, content in texts._asdict().items()}
    return dict(rows_for(scene, texts, arrangement, width, height)), needed


def test_rows_are_given_in_the_order_of_the_goals() -> None:
    goals = [Goal("stop", 2), Goal("number", 3), Goal("list", 9), Goal("number", 5)]
    assert share_rows(4, goals) == {"stop": 2, "number": 2, "list": 0}
    assert share_rows(20, goals) == {"stop": 2, "number": 5, "list": 9}
    assert share_rows(7, [Goal("number", 5), Goal("scale", 3, all_or_none=True), Goal("keys", 1)]) == {
        "number": 5,
        "keys": 1,
    }


@pytest.mark.parametrize(
    ("size", "name"),
    [
        ((40, 24), "single"), ((60, 24), "single"), ((70, 40), "single"), ((71, 24), "double"), ((80, 24), "double"),
        ((110, 33), "double"), ((110, 34), "roomy"), ((200, 60), "roomy"),
    ],
)  # fmt: skip
def test_the_arrangement_follows_the_size(size: tuple[int, int], name: str) -> None:
    assert arrangement_for(*size).name == name
    assert arrangement_for(*size, large=True).name == "large"


@pytest.mark.parametrize("large", [False, True], ids=["working", "large"])
@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize("state", STATES | MORE_STATES)
def test_stop_and_caution_are_whole_in_every_state(state: str, size: tuple[int, int], large: bool) -> None:
    rows, needed = shares(scene_of((STATES | MORE_STATES)[state]), *size, large=large)
    assert rows["stop"] == needed["stop"]
    assert rows["caution"] == needed["caution"]
    assert rows["heading"] >= 1
    assert rows["advice"] >= 1
    assert rows["number"] >= 1
    assert sum(rows.values()) <= size[1]


@pytest.mark.parametrize("large", [False, True], ids=["working", "large"])
@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_everything_at_once_does_not_push_stop_and_caution_off(size: tuple[int, int], large: bool) -> None:
    text = "A text of the station that is much longer than it ought to be. " * 20
    asked = accepted("OL µF", None, "cannot tell", margin=None, question=QUESTION, reason=text)
    points = [point(str(number), text, caution=LONG, accepted=asked) for number in range(30)]
    scene = scene_of(
        [
            visit(points=points, focus="0", advice=text, caution=LONG),
            meters(radio_error=text),
            {"topic": "notice", "level": "alarm", "text": text},
            live("241.3 V AC", None, point="0", stop=STOP),
        ]
    )
    rows, needed = shares(scene, *size, large=large)
    assert rows["stop"] == needed["stop"] > 0
    assert rows["caution"] == needed["caution"] > 0
    assert sum(rows.values()) <= size[1]


def plan(count: int, **more: Any) -> list[dict[str, Any]]:
    return [point(str(number), f"test point {number}", **more) for number in range(count)]


@pytest.mark.parametrize("caution", ["Short.", LONG[:420], LONG[:690]], ids=["short", "usual", "longest"])
@pytest.mark.parametrize("asked", [False, True], ids=["", "question"])
def test_the_list_has_six_rows_at_80_by_24(caution: str, asked: bool) -> None:
    reading = accepted("5 µF", "5", "cannot tell", margin=None, question=QUESTION if asked else None)
    points = [point("0", "run capacitor", caution=caution, accepted=reading), *plan(9, caution=caution)]
    scene = scene_of([visit(points=points, focus="0", caution=caution), meters(), live(point="0", phase="accepted")])
    rows, needed = shares(scene, 80, 24, large=False)
    assert rows["list"] >= 6
    assert rows["caution"] == needed["caution"]
    assert rows["number"] >= (1 if asked else 3)


@pytest.mark.parametrize(
    ("size", "digits", "verdict"),
    [((40, 24), 5, 6), ((62, 20), 5, 5), ((80, 24), 9, 5), ((120, 40), 15, 5), ((200, 60), 21, 8)],
)
@pytest.mark.parametrize("text", ["42.31 µF", "4.7 kΩ", "OL MΩ", "241.3 V AC", "-12.3 °C"])
def test_the_large_view_has_rows_for_digits_and_verdict(
    size: tuple[int, int], digits: int, verdict: int, text: str
) -> None:
    scene = scene_of([visit(accepted(text, "43"), last_accepted="herm"), meters(), live(text, "43", phase="accepted")])
    rows, _ = shares(scene, *size, large=True)
    assert rows["number"] >= digits
    assert rows["verdict"] >= verdict


def test_a_text_that_is_cut_ends_with_an_ellipsis() -> None:
    content = sentences_content("NEXT", "hint", "one two three four five six seven")
    assert content is not None
    assert cut_rows(content, 12, 9) is content
    assert cut_rows(content, 12, 2).plain == " NEXT  one\ntwo three…"
    assert rows_of(cut_rows(content, 12, 2), 12) == 2
    assert rows_of(None, 12) == 0

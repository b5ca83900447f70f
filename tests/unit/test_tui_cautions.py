"""Cautions are short after the first time at the same kind of test point, and in full when the state changes."""

from typing import Any

from meterlink_tui.caution_memory import CautionMemory
from meterlink_tui.latest_messages import LatestMessages
from meterlink_tui.scene import GENERAL_CAUTION, Scene, compose_scene, whole_cautions
from support.dashboard_views import accepted, live, point, visit

ISOLATED, ENERGIZED = "Isolate it. Verify. Discharge it.", "Live parts. Wear what codes ask for."


def points(*accepted_at: str) -> list[dict[str, Any]]:
    """Return four points, two in each state, and readings at those in ``accepted_at``."""
    live_point = {"state": "energized", "caution": ENERGIZED, "brief_caution": "Live."}
    dead_point = {"caution": ISOLATED, "brief_caution": "Verify."}
    states = {"herm": dead_point, "fan": dead_point, "line": live_point, "load": live_point}
    return [
        point(key, key, accepted=accepted(id=number) if key in accepted_at else None, **state)
        for number, (key, state) in enumerate(states.items())
    ]


def cautions_after(*views: Any) -> tuple[str, ...]:
    """Return the cautions on the screen after the views of a visit."""
    memory, latest = CautionMemory(), LatestMessages()
    for view in views:
        memory.update(view)
        latest.put(view)
    return compose_scene(latest, None, None, state_is_new=memory.state_is_new).cautions


def at(focus: str | None, *accepted_at: str, **more: Any) -> Any:
    return visit(points=points(*accepted_at), focus=focus, caution="", **more)


def test_the_first_caution_is_in_full_until_a_reading_is_accepted() -> None:
    assert cautions_after(at("herm")) == (ISOLATED,)
    assert cautions_after(at("herm"), at("herm", "herm")) == ("Verify.",)
    assert cautions_after(at("herm"), at("herm", "herm"), at("fan", "herm")) == ("Verify.",)


def test_a_caution_is_in_full_when_the_state_changes_either_way() -> None:
    # A unit that was live a minute ago has to be verified anew: the hand goes by habit. Common practice, no source.
    first = at("herm"), at("fan", "herm"), at("line", "herm", "fan")
    assert cautions_after(*first) == (ENERGIZED,)
    assert cautions_after(*first, at("line", "herm", "fan", "line")) == ("Live.",)
    back = *first, at("fan", "herm", "fan", "line")
    assert cautions_after(*back) == (ISOLATED,)
    without_a_reading = *first, at("herm", "herm", "fan")
    assert cautions_after(*without_a_reading) == (ISOLATED,)


def test_another_kind_of_point_has_its_caution_in_full() -> None:
    gas = "Isolate it. Verify. Gas: no flame."
    views = [at("herm"), at("herm", "herm")]
    view = at("herm", "herm")
    view["points"].append(point("valve", "gas valve", caution=gas, brief_caution="Gas."))
    assert cautions_after(*views, view | {"focus": "valve"}) == (gas,)


def test_another_visit_begins_with_cautions_in_full() -> None:
    worked = at("herm"), at("fan", "herm")
    assert cautions_after(*worked, at("fan", "herm", unit="another")) == (ISOLATED,)


def test_a_dashboard_that_starts_in_the_middle_shows_the_caution_in_full() -> None:
    assert cautions_after(at("fan", "herm")) == (ISOLATED,)


def test_a_station_without_short_forms_has_cautions_in_full() -> None:
    views = [at("herm"), at("herm", "herm")]
    for view in views:
        for view_point in view["points"]:
            del view_point["brief_caution"]
    assert cautions_after(*views) == (ISOLATED,)


def scene_of(*messages: Any) -> tuple[Scene, LatestMessages]:
    latest = LatestMessages()
    for message in messages:
        latest.put(message)
    return compose_scene(latest, 0.0, None, state_is_new=False), latest


def test_a_key_shows_the_cautions_whole() -> None:
    scene, latest = scene_of(at("line", "herm"), live(phase="accepted"))
    assert scene.cautions == (ENERGIZED, "Verify.")
    assert scene.cautions_are_brief
    assert whole_cautions(latest) == (ENERGIZED, ISOLATED)
    assert whole_cautions(LatestMessages()) == (GENERAL_CAUTION,)

"""The configured keys of the dashboard: they do their action, and every sentence names them."""

from typing import Any

import pytest
from textual.binding import Binding
from textual.widgets import Static

from meterlink.core.clock import format_rfc3339
from meterlink.core.equipment import PointKind, Site
from meterlink.core.key_actions import DEFAULT_KEYS, KeyAction, Keys
from meterlink.core.units import Quantity
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.station.diagnosis import VisitDiagnosis
from meterlink.station.tracker import MeterTracker
from meterlink.station.views import live_view, visit_view
from meterlink.station.visit import ActiveVisit
from meterlink_tui.app import Dashboard
from meterlink_tui.keys import with_keys
from meterlink_tui.sheets.help import HelpSheet
from meterlink_tui.sheets.test_points import PointPicker
from support.dashboards import START, catch_up, running_dashboard, screen_lines, screen_text
from support.settling_displays import constant
from support.virtual_stations import passive_plan

PEDAL: Keys = {
    **DEFAULT_KEYS,
    KeyAction.NEXT: ("pagedown", "space"),
    KeyAction.PREVIOUS: ("pageup",),
    KeyAction.ACCEPT: ("enter", "f9"),
    KeyAction.REPEAT: ("left",),
    KeyAction.PICK: (".",),
    KeyAction.PAGE_DOWN: ("down",),
    KeyAction.PAGE_UP: ("up",),
    KeyAction.RATING: ("f7",),
    KeyAction.VISITS: ("f8",),
}


def views(*, limits: bool = True, **more: Any) -> tuple[Any, Any]:
    """Return the views of a visit at its first test point, with a capacitance that is being measured."""
    visit = ActiveVisit(Site("Corner bakery", "north roof"), passive_plan(), 0, "6 %")
    if not limits:
        visit.limits[visit.focus or ""] = None
    tracker = MeterTracker("M", "Alder", 1)
    for reading in constant(4331, 0, 0.5, quantity=Quantity.CAPACITANCE):
        tracker.add_reading(reading)
    tracker.point_key = visit.focus
    tracker.judgement = judge(PointKind.CAPACITOR, None, MeasuredValue.from_reading(reading))
    live = live_view(visit, tracker)
    assert live is not None
    live["at"] = format_rfc3339(START)
    return {**visit_view(visit, tracker, VisitDiagnosis(visit).diagnosis), **more}, live


def test_the_keys_of_the_bindings_are_the_defaults() -> None:
    bindings = [binding for binding in Dashboard.BINDINGS if isinstance(binding, Binding)]
    assert {binding.id for binding in bindings} == {*KeyAction, "interrupt"}
    assert [binding.key for binding in with_keys(bindings, DEFAULT_KEYS)] == [binding.key for binding in bindings]


@pytest.mark.parametrize(
    ("key", "command"),
    [
        ("pagedown", "next"), ("space", "next"), ("pageup", "previous"), ("enter", "accept"), ("f9", "accept"),
        ("left", "repeat"),
    ],
)  # fmt: skip
async def test_a_pedal_does_the_action_of_its_key(key: str, command: str) -> None:
    async with running_dashboard(*views(), keys=PEDAL) as (_, station, pilot):
        await pilot.press(key)
        await catch_up(pilot)
        assert station.sent == [(command, {})]


async def test_a_key_that_was_given_away_does_nothing() -> None:
    async with running_dashboard(*views(), keys=PEDAL) as (app, station, pilot):
        await pilot.press("n", "right", "a", "r", "l", "p")
        await catch_up(pilot)
        assert station.sent == []
        await pilot.press("full_stop")
        assert isinstance(app.screen, PointPicker)


async def test_every_action_has_its_configured_key(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each action gets the first key of the action after it; none keeps one that the settings took away."""
    default = {key for own in DEFAULT_KEYS.values() for key in own}
    actions = list(KeyAction)
    following = zip(actions, [*actions[1:], actions[0]], strict=True)
    keys: Keys = {action: DEFAULT_KEYS[other][:1] for action, other in following}
    default -= {key for own in keys.values() for key in own}
    done: list[str] = []

    async def record(_app: Dashboard, action: Any, *_: Any, **__: Any) -> bool:
        done.append(str(action))
        return True

    monkeypatch.setattr(Dashboard, "run_action", record)
    bindings = {str(binding.id): binding for binding in with_keys(Dashboard.BINDINGS, keys)}
    async with running_dashboard(*views(), keys=keys) as (_, _, pilot):
        for action in KeyAction:
            done.clear()
            await pilot.press(bindings[action].key)
            assert done == [bindings[action].action], action
        done.clear()
        await pilot.press(*default)
        assert done == []


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (40, 24)], ids=str)
async def test_the_foot_the_help_and_the_sentences_name_the_configured_keys(size: tuple[int, int]) -> None:
    shown = views(limits=False, offers=["accept", "repeat", "an action of a later version"])
    async with running_dashboard(*shown, keys=PEDAL, size=size) as (app, _, pilot):
        assert "PgDn next" in " ".join(screen_lines(app)[-2:])
        text = screen_text(app)
        assert "[Enter] accepts. [←] measures again." in text
        assert "press F7 and type the rating" in text or size == (40, 24)  # there it is below, after a page
        await pilot.press("question_mark")
        assert isinstance(app.screen, HelpSheet)
        rows = [str(static.render()) for static in app.screen.query(Static)]
        assert any(row.startswith("PgDn, Space") and "next test point" in row for row in rows)
        assert any(row.startswith("Enter, F9") and "Accept the reading" in row for row in rows)

"""The dashboard's keys for a repair, a rating, a void, a skipped point, a note and the close of a visit."""

import asyncio
from typing import Any

import pytest
from textual.events import Key
from textual.widgets import Input

from meterlink.core.questions import Choice, Question
from meterlink.link.messages import question_view
from support.dashboards import catch_up, running_dashboard, screen_text
from support.visit_views import COIL, HERM, accepted, at


async def test_enter_fits_the_same_part_again() -> None:
    async with running_dashboard(at(HERM)) as (app, station, pilot):
        await pilot.press("x")
        await catch_up(pilot)
        assert "The run capacitor HERM is replaced" in screen_text(app)
        assert "measure the new one, that is the proof" in screen_text(app)
        await pilot.press("enter")
        await catch_up(pilot)
        assert station.sent[-1] == ("replace", {"point": "herm", "text": "45+5 µF 440 V", "answer": ""})
        assert len(app.screen_stack) == 1


async def test_typing_replaces_the_old_label_and_the_meaning_is_shown_before_enter() -> None:
    async with running_dashboard(at(HERM)) as (app, station, pilot):
        station.data = {"understood": "run capacitor, 40 µF, up to 440 V"}
        await pilot.press("t", *"40")
        await catch_up(pilot)
        assert station.sent[-1] == ("check_rating", {"point": "herm", "text": "40"})
        assert "Understood: run capacitor, 40 µF, up to 440 V" in screen_text(app)
        await pilot.press("enter")
        await catch_up(pilot)
        assert station.sent[-1] == ("set_rating", {"point": "herm", "text": "40"})


@pytest.mark.parametrize(("digit", "sent"), [("1", "fitted"), ("2", None)])
async def test_the_objection_of_the_rules_is_answered_by_a_digit(digit: str, sent: str | None) -> None:
    objection: Question[object] = Question(
        "370 V is below 440 V. Is it fitted all the same?",
        (Choice("fitted", "it is fitted", None), Choice("not fitted", "it is not fitted", None)),
    )
    async with running_dashboard(at(HERM)) as (app, station, pilot):
        await pilot.press("x", *"45 370V".replace(" ", "/"))
        await catch_up(pilot)
        station.question, station.error, station.refused = question_view(objection), "370 V is below 440 V.", "replace"
        await pilot.press("enter")
        await catch_up(pilot)
        assert "370 V is below 440 V. Is it fitted all the same?" in screen_text(app)
        station.error = ""
        await pilot.press(digit)
        await catch_up(pilot)
        answers = [fields["answer"] for name, fields in station.sent if name == "replace"]
        assert answers == (["", sent] if sent else [""])
        assert len(app.screen_stack) == 1


async def test_a_coil_may_be_replaced_without_a_rating_and_a_replacement_is_undone() -> None:
    replaced = COIL | {"old_part": accepted("3.1 Ω")}
    async with running_dashboard(at(replaced)) as (app, station, pilot):
        await pilot.press("x", "enter")
        await catch_up(pilot)
        assert station.sent[-1] == ("replace", {"point": "coil", "text": "", "answer": ""})
        await pilot.press("x")
        await catch_up(pilot)
        assert "Ctrl+Z undoes the replacement before" in screen_text(app)
        await pilot.press("ctrl+z")
        await catch_up(pilot)
        assert station.sent[-1] == ("undo_replacement", {"point": "coil"})
        assert len(app.screen_stack) == 1


async def test_a_capacitor_needs_its_label() -> None:
    async with running_dashboard(at(HERM | {"label": ""})) as (app, station, pilot):
        await pilot.press("x", "enter")
        await catch_up(pilot)
        assert "Type the label of the new part." in screen_text(app)
        assert station.sent == []


async def test_the_newest_reading_is_voided_with_two_keys_and_taken_back() -> None:
    async with running_dashboard(at(HERM | {"accepted": accepted()})) as (app, station, pilot):
        await pilot.press("z")
        await catch_up(pilot)
        assert "Void 43.31 µF at the run capacitor HERM: why?" in screen_text(app)
        await pilot.press("1")
        await catch_up(pilot)
        assert station.sent[-1] == ("void", {"uid": "r1", "text": "typing slip"})
    voided = HERM | {"voided": [{"uid": "r1", "text": "43.31 µF", "reason": "typing slip"}]}
    async with running_dashboard(at(voided)) as (app, station, pilot):
        await pilot.press("z", "1")
        await catch_up(pilot)
        assert station.sent[-1] == ("unvoid", {"uid": "r1"})
    async with running_dashboard(at(HERM)) as (app, station, pilot):
        await pilot.press("z")
        await catch_up(pilot)
        assert "There is no reading at this test point to void." in screen_text(app)


async def test_a_point_is_skipped_and_a_note_is_written() -> None:
    async with running_dashboard(at(HERM)) as (_, station, pilot):
        await pilot.press("k", "2")
        await catch_up(pilot)
        assert station.sent[-1] == ("skip", {"point": "herm", "text": "cannot be reached"})
        await pilot.press("k", "tab", *"ice", "enter")
        await catch_up(pilot)
        assert station.sent[-1] == ("skip", {"point": "herm", "text": "ice"})
        await pilot.press("w", *"dog", "enter")
        await catch_up(pilot)
        assert station.sent[-1] == ("note", {"text": "dog"})
        await pilot.press("w", "enter")
        await catch_up(pilot)
        assert station.sent[-1] == ("note", {"text": "dog"})


async def test_the_unit_is_shown_with_its_new_part_first_and_takes_a_fact() -> None:
    async with running_dashboard(at(HERM)) as (app, station, pilot):
        station.data = {"lines": ["New run capacitor: 45+5 µF 440 V, fitted 2026-07-14", "Supply: 208/230 V"]}
        await pilot.press("u")
        await catch_up(pilot)
        text = screen_text(app)
        assert text.index("Corner bakery / condenser") < text.index("New run capacitor: 45+5 µF") < text.index("Supply")
        await pilot.press(*"note dog", "enter")
        await catch_up(pilot)
        fact = {"site": "Corner bakery", "unit": "condenser", "fact": "note", "text": "dog"}
        assert station.sent[-2:] == [("set_fact", fact), ("show_unit", {})]
        await pilot.press(*"supply", "enter")
        await catch_up(pilot)
        assert "Type its name, then its text." in screen_text(app)


async def test_a_reading_is_typed_with_two_keys_beyond_its_characters() -> None:
    async with running_dashboard(at(HERM)) as (_, station, pilot):
        await pilot.press("enter", *"43,7", "enter")
        await catch_up(pilot)
        assert station.sent == [("enter", {"point": "herm", "text": "43,7"})]


async def test_two_enters_send_one_reading() -> None:
    async with running_dashboard(at(HERM)) as (app, station, pilot):
        for key in ("enter", *"43", "enter", "enter"):
            app.post_message(Key(key, None if key == "enter" else key).set_sender(app))
        for _ in range(6):
            await catch_up(pilot)
        assert station.sent == [("enter", {"point": "herm", "text": "43"})]


@pytest.mark.parametrize("key", ["enter", "t", "x"])
async def test_no_key_is_lost_while_a_sheet_opens(key: str) -> None:
    """Keys come in one burst over a slow line: 241 V must not become 1 V."""
    async with running_dashboard(at(HERM)) as (app, _, pilot):
        for character in (key, *"241 V"):
            name = "space" if character == " " else character
            app.post_message(Key(name, None if key == character else character).set_sender(app))
        await catch_up(pilot)
        assert app.screen.query_one(Input).value == "241 V"


@pytest.mark.parametrize("turns", range(0, 40, 8))
async def test_keys_of_two_values_keep_their_order_at_any_pace(turns: int) -> None:
    """124 V would be a wrong value of 241 V; the keys of the second value come while the first is being sent."""
    async with running_dashboard(at(HERM)) as (app, station, pilot):
        for name in ("enter", *"241", "enter", "enter", *"38", "enter"):
            app.post_message(Key(name, None if name == "enter" else name).set_sender(app))
            for _ in range(turns):
                await asyncio.sleep(0)
        async with asyncio.timeout(100):
            while len(station.sent) < 2:
                await catch_up(pilot)
        assert station.sent == [("enter", {"point": "herm", "text": text}) for text in ("241", "38")]


async def test_a_value_typed_after_a_reading_belongs_to_the_point_that_follows() -> None:
    """The screen still shows the point that has just its reading; the next value is not one more of it."""
    view: Any = at(HERM | {"accepted": accepted()})
    view["points"].append(COIL)
    view["next_point"] = "coil"
    async with running_dashboard(view) as (app, station, pilot):
        await pilot.press("enter")
        await catch_up(pilot)
        assert "What does the meter show on the contactor coil?" in screen_text(app)
        await pilot.press(*"14", "enter")
        await catch_up(pilot)
        assert station.sent == [("enter", {"point": "coil", "text": "14"})]


@pytest.mark.parametrize(
    ("size", "rows"), [((40, 24), 24), ((62, 20), 20), ((80, 24), 24), ((120, 40), 40), ((200, 60), 60)]
)
@pytest.mark.parametrize("key", ["t", "x", "z", "k", "w"])
async def test_every_sheet_keeps_its_field_and_the_caution_on_the_screen(
    key: str, size: tuple[int, int], rows: int
) -> None:
    async with running_dashboard(at(HERM | {"accepted": accepted()}), size=size) as (app, _, pilot):
        await pilot.press(key)
        await catch_up(pilot)
        text = screen_text(app)
        assert "CAUTION" in text
        field = app.screen.query_one("Input")
        assert 0 <= field.region.y < field.region.bottom <= rows


async def test_hostile_names_are_shown_as_text() -> None:
    hostile = HERM | {"title": "[b]x[/b]\x1b[2J " + "運" * 60, "label": "[red]45 µF[/red]"}
    async with running_dashboard(at(hostile), size=(40, 24)) as (app, _, pilot):
        for key in ("t", "escape", "x", "escape", "k"):
            await pilot.press(key)
            await catch_up(pilot)
        assert "\x1b" not in screen_text(app)

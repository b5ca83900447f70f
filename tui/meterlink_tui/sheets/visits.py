"""The sheets of arriving and leaving: pick or name a unit, its plan, and the outcome of a visit."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from meterlink.core.outcomes import Outcome
from meterlink.core.text import clean_text
from meterlink.core.unit_kinds import proposed_plan
from meterlink.core.verdicts import FAILED_VERDICTS
from meterlink.link.messages import PlanNameView, UnitView, VisitsView, VisitView
from meterlink_tui.sheets.sheet import Sheet

_LONGEST = 100  # characters of a site and a unit: more than a line of a wide screen
_MOST_NAMED = 4  # untested points: a longer list is in `meterlink visit show`
_LONGEST_NAME = 40  # characters of a name in the list


@dataclass(frozen=True, slots=True)
class OpenVisit:
    """The choice to go on with an open visit."""

    uid: str


@dataclass(frozen=True, slots=True)
class Place:
    """The choice to begin a visit. ``is_known``: the unit was visited before, and has a plan."""

    site: str
    unit: str
    is_known: bool


@dataclass(frozen=True, slots=True)
class LeaveVisit:
    """The choice to close the active visit."""


@dataclass(frozen=True, slots=True)
class PauseVisit:
    """The choice to pause the active visit: readings belong to none."""


VisitChoice = OpenVisit | Place | LeaveVisit | PauseVisit


class VisitPicker(Sheet[VisitChoice]):
    """Closes with the chosen visit or place, or without a result. The list shrinks as somebody types."""

    has_field = True

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("down", "move(1)", "down", id="visits-down", show=False, tooltip="Go down in the list"),
        Binding("up", "move(-1)", "up", id="visits-up", show=False, tooltip="Go up in the list"),
    ]

    def __init__(self, cautions: tuple[str, ...], visits: VisitsView | None) -> None:
        super().__init__(cautions)
        self._visits = visits
        self._choices: list[VisitChoice] = []

    def body(self) -> ComposeResult:
        """Yield the field and the list."""
        yield Static("Where are you? Type, then ↑ ↓ and Enter. New: site / unit. Esc closes.", classes="heading")
        field = Input(placeholder="Mill Lane bakery / Condenser 1", max_length=_LONGEST, id="place")
        field.cursor_blink = False
        yield field
        yield OptionList(markup=False)

    def on_mount(self) -> None:
        """Focus the field, so that typing starts at once."""
        self.query_one(OptionList).can_focus = False
        self.query_one(Input).focus()
        self._list()

    def list_visits(self, visits: VisitsView | None) -> None:
        """List the visits and units that the station knows now."""
        if visits != self._visits:
            self._visits = visits
            self._list()

    def on_input_changed(self) -> None:
        """List the units that fit the typed text."""
        self._list()

    def on_input_submitted(self) -> None:
        """Close with the highlighted choice."""
        highlighted = self.query_one(OptionList).highlighted
        if highlighted is not None and highlighted < len(self._choices):
            self.dismiss(self._choices[highlighted])

    def action_move(self, step: int) -> None:
        """Move the highlight."""
        option_list = self.query_one(OptionList)
        (option_list.action_cursor_down if step > 0 else option_list.action_cursor_up)()

    def _list(self) -> None:
        typed = clean_text(self.query_one(Input).value)
        rows = list(_rows(self._visits["units"] if self._visits else (), typed))
        self._choices = [choice for choice, _ in rows]
        option_list = self.query_one(OptionList)
        option_list.clear_options()
        # Options have no ids: names from the link might repeat.
        option_list.add_options(
            [Option(Content(text)) for _, text in rows]
            or [Option("No such unit yet. Type its site, a slash and its name.", disabled=True)]
        )
        option_list.highlighted = 0 if rows else None


def _rows(units: Sequence[UnitView], typed: str) -> Iterator[tuple[VisitChoice, str]]:
    """Yield each choice that fits ``typed``, with its line."""
    site, slash, unit = (part.strip() for part in typed.partition("/"))
    known = {(view["site"].casefold(), view["unit"].casefold()) for view in units}
    words = typed.replace("/", " ").casefold().split()
    for view in units:
        name = f"{view['site']} {view['unit']}".casefold()
        if not all(word in name for word in words):
            continue
        place = f"{clean_text(view['site'], _LONGEST_NAME)} / {clean_text(view['unit'], _LONGEST_NAME)}"
        if view["is_active"]:
            yield LeaveVisit(), f"{place}: close this visit"
            yield PauseVisit(), f"{place}: pause this visit"
        elif view["is_open"]:
            yield OpenVisit(view["visit"]), f"{place}: paused, go on"
        else:
            yield Place(view["site"], view["unit"], is_known=True), f"{place}: last visit {view['opened'][:10]}"
    if slash and site and unit and (site.casefold(), unit.casefold()) not in known:
        yield Place(site, unit, is_known=False), f"{site} / {unit}: new"


class PlanPicker(Sheet[tuple[Place, str]]):
    """Closes with the place and the name of the chosen plan, or without a result."""

    def __init__(self, place: Place, plans: Sequence[PlanNameView]) -> None:
        super().__init__(())
        self._place = place
        self._plans = self._proposed_first(plans)

    def body(self) -> ComposeResult:
        """Yield the list of plans."""
        unit = clean_text(self._place.unit, _LONGEST_NAME)
        yield Static(f"What kind of unit is {unit}? ↑ ↓, then Enter. Esc closes.", classes="heading", markup=False)
        yield OptionList(*self._options(), markup=False)

    def on_mount(self) -> None:
        """Focus the list."""
        self.query_one(OptionList).focus()

    def list_plans(self, plans: Sequence[PlanNameView]) -> None:
        """List the plans that the station has, which may come after the sheet was opened."""
        if not self._plans and plans:
            self._plans = self._proposed_first(plans)
            options = self.query_one(OptionList)
            options.add_options(self._options())
            options.highlighted = 0

    def _proposed_first(self, plans: Sequence[PlanNameView]) -> list[PlanNameView]:
        """Return ``plans`` with the one that the unit's name proposes first; the others keep their order."""
        proposed = proposed_plan(self._place.unit)
        return sorted(plans, key=lambda plan: plan["key"] != proposed)

    def _options(self) -> list[Option]:
        return [Option(Content(clean_text(plan["title"]))) for plan in self._plans]

    def on_option_list_option_selected(self, selected: OptionList.OptionSelected) -> None:
        """Close with the selected plan."""
        self.dismiss((self._place, self._plans[selected.option_index]["key"]))


@dataclass(frozen=True, slots=True)
class Leaving:
    """The end of a visit: its outcome, and how the unit is left: ``on``, ``off``, or empty where nobody said it."""

    outcome: str
    power: str
    covers: str


# How a unit is left, in words, with the arguments ``power`` and ``covers`` of the command.
_LEFT = (
    ("power restored, covers on", "on", "on"),
    ("power off, covers on", "off", "on"),
    ("power off, covers off", "off", "off"),
    ("power restored, covers off", "on", "off"),
    ("not said", "", ""),
)


def left_text(visit: VisitView | None) -> str:
    """Return the test points that are left, in words: those not sound and not replaced by name, then the untested."""
    points = visit["points"] if visit else []
    not_sound = [
        clean_text(point["title"])
        for point in points
        if point["accepted"] and point["accepted"]["verdict"] in FAILED_VERDICTS
    ]
    untested = [clean_text(point["title"]) for point in points if point["accepted"] is None]
    texts = [f"Not sound and not replaced: {', '.join(not_sound)}."] if not_sound else []
    if untested:
        others = f" and {len(untested) - _MOST_NAMED} more" if len(untested) > _MOST_NAMED else ""
        texts.append(f"Without a reading: {', '.join(untested[:_MOST_NAMED])}{others}.")
    return " ".join(texts) or "Every test point has a sound reading."


class OutcomePicker(Sheet[Leaving]):
    """Closes with the outcome of the visit and how the unit is left, or without a result.

    ``left`` names the test points that are left.
    """

    def __init__(self, left: str) -> None:
        super().__init__(())
        self._left = left
        self._outcome = ""

    def body(self) -> ComposeResult:
        """Yield the list of outcomes."""
        yield Static("The outcome: ↑ ↓, Enter. Esc goes back.", id="leaving", classes="heading", markup=False)
        yield Static(self._left, markup=False)
        yield OptionList(*(Option(outcome) for outcome in Outcome), markup=False)

    def on_mount(self) -> None:
        """Focus the list."""
        self.query_one(OptionList).focus()

    def on_option_list_option_selected(self, selected: OptionList.OptionSelected) -> None:
        """Ask how the unit is left, after the outcome; then close."""
        if self._outcome:
            _, power, covers = _LEFT[selected.option_index]
            self.dismiss(Leaving(self._outcome, power, covers))
            return
        self._outcome = list(Outcome)[selected.option_index]
        self.query_one("#leaving", Static).update("Tools out? How is the unit left: ↑ ↓, Enter. Esc goes back.")
        options = self.query_one(OptionList)
        options.clear_options()
        options.add_options(Option(words) for words, *_ in _LEFT)
        options.highlighted = 0

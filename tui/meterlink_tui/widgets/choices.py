"""A list of numbered choices: a digit, or Enter on the highlighted one, chooses."""

from collections.abc import Sequence

from textual.content import Content
from textual.events import Key
from textual.message import Message
from textual.widgets import OptionList
from textual.widgets.option_list import Option

from meterlink_tui.scene import QuestionChoice


class ChoiceList(OptionList):
    """Displays choices with their words; posts `Chosen`. It is hidden and has no focus while it has no choices."""

    class Chosen(Message):
        """A choice was chosen; ``key`` names it."""

        def __init__(self, key: str) -> None:
            super().__init__()
            self.key = key

    def __init__(self) -> None:
        super().__init__(markup=False)
        self._choices: tuple[QuestionChoice, ...] = ()

    def show(self, choices: Sequence[QuestionChoice]) -> None:
        """Display ``choices``, the usual one highlighted, and take the focus."""
        self._choices = tuple(choices)
        self.display = bool(choices)
        self.clear_options()
        # Their text is plain, so that the highlighted line is reversed from end to end, without colour too.
        self.add_options(Option(_choice_text(number, choice)) for number, choice in enumerate(choices, 1))
        if choices:
            self.highlighted = next((index for index, choice in enumerate(choices) if choice.usual), 0)
            self.focus()

    def on_key(self, event: Key) -> None:
        """Choose by a digit."""
        if event.character is not None and event.character in "123456789":
            event.stop()
            self._choose(int(event.character) - 1)

    def on_option_list_option_selected(self, selected: OptionList.OptionSelected) -> None:
        """Choose the selected choice."""
        selected.stop()
        self._choose(selected.option_index)

    def _choose(self, index: int) -> None:
        if index < len(self._choices):
            self.post_message(self.Chosen(self._choices[index].key))


def _choice_text(number: int, choice: QuestionChoice) -> Content:
    usual = " (usual)" if choice.usual else ""
    words = f": {choice.words}" if choice.words else ""
    return Content(f"{number}  {choice.label}{words}{usual}")

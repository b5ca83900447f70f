"""The sheet for a part that is replaced."""

from collections.abc import Awaitable, Callable
from typing import ClassVar

from textual.binding import Binding, BindingType

from meterlink.core.equipment import PointKind
from meterlink.link.messages import QuestionView
from meterlink_tui.scene import ActivePoint
from meterlink_tui.sheets.rating import CheckRating, RatingSheet

FITTED = "fitted"  # the key of the choice that a part is fitted against the rules of replacement
_NOT_FITTED = "not fitted"

# Sends the rating of the new part, and an answer to the objection of the rules or an empty one.
SubmitPart = Callable[[str, str], Awaitable[tuple[str, QuestionView | None]]]
Undo = Callable[[], Awaitable[str]]  # undoes the newest replacement of the part; returns its error, or ""


class ReplacementSheet(RatingSheet):
    """Passes the rating of the new part to ``submit``; the old rating stands in the field: Enter fits the same.

    Where the rules of replacement object, it displays the objection with its choices.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            "ctrl+z",
            "undo",
            "undo",
            id="undo-replacement",
            show=False,
            priority=True,
            tooltip="Undo the newest replacement of this part",
        )
    ]

    def __init__(
        self,
        cautions: tuple[str, ...],
        active: ActivePoint,
        submit: SubmitPart,
        check: CheckRating,
        undo: Undo,
        on_truck: str = "",
    ) -> None:
        super().__init__(cautions, active, self._send_rating, check)
        self._submit_part = submit
        self._undo = undo
        self._on_truck = on_truck
        self._typed = ""

    def heading(self) -> str:
        """Return the question above the field."""
        return f"The {self._active.title} is replaced: what is marked on the new part?"

    def instruction(self) -> str:
        """Return the effect of Enter."""
        optional = "" if self._active.kind == PointKind.CAPACITOR else " Nothing marked: leave it empty."
        undo = " Ctrl+Z undoes the replacement before." if self._active.is_replaced else ""
        on_truck = f"{self._on_truck} " if self._on_truck else ""
        return (
            f"{on_truck}The readings so far stay with the old part; measure the new one, that is the proof."
            f"{optional}{undo} Enter records it, Esc cancels."
        )

    async def submit(self, text: str) -> None:
        """Send the rating, which only a capacitor must have."""
        if text.strip() or self._active.kind != PointKind.CAPACITOR:
            await self.send_text(text)
        else:
            self.show_error("✗ Type the label of the new part.")

    async def choose(self, key: str) -> None:
        """Answer the objection, or send the chosen rating."""
        if key == FITTED:
            with self.sending() as may_send:
                if may_send:
                    self.show_reply(*await self._submit_part(self._typed, FITTED))
        elif key == _NOT_FITTED:
            self.dismiss()
        else:
            await self.send_text(key)

    async def action_undo(self) -> None:
        """Undo the newest replacement of this part."""
        with self.sending() as may_send:
            if may_send:
                self.show_reply(await self._undo(), None)

    async def _send_rating(self, text: str) -> tuple[str, QuestionView | None]:
        self._typed = text
        return await self._submit_part(text, "")

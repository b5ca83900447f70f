"""A list of which a window is in memory: its rows are fetched as the cursor comes near, however many there are."""

import asyncio
from collections.abc import Callable, Sequence
from typing import Generic, Protocol, TypeVar

from textual.content import Content
from textual.widget import Widget

from meterlink.core.errors import MeterlinkError

_SCREENS = 6  # screens of rows in memory at most; two are fetched at once
_LEAST_ROWS = 2  # that are fetched before the widget has its size


class RecordRow(Protocol):
    """A row with its place in the order of the record."""

    @property
    def id(self) -> int:
        """The row's id."""
        ...


RowT = TypeVar("RowT", bound=RecordRow)
# Returns so many rows beyond the one with this id; beyond None, from the end of the list.
FetchRows = Callable[[int | None, int], Sequence[RowT]]


class PagedList(Widget, Generic[RowT]):
    """Draws the rows around a cursor. ``below`` and ``above`` fetch rows, each in a thread; both return them in order.

    ``draw`` returns a row as lines of a width, ``height_of`` their number for that width.
    """

    def __init__(self, draw: Callable[[RowT, int], Content], height_of: Callable[[int], int]) -> None:
        super().__init__(id="pages")
        self._draw, self._height_of = draw, height_of
        self._below: FetchRows[RowT] = lambda _anchor, _count: ()
        self._above: FetchRows[RowT] = self._below
        self._rows: list[RowT] = []
        self._first = self._cursor = 0
        self._has_start = self._has_end = True
        self._generation = 0
        self._empty_text = ""

    @property
    def current(self) -> RowT | None:
        """The row at the cursor."""
        return self._rows[self._cursor] if self._rows else None

    @property
    def is_at_start(self) -> bool:
        """Whether the cursor is on the first row of the whole list."""
        return self._has_start and self._cursor == 0

    @property
    def rows_in_memory(self) -> int:
        """The number of rows in memory."""
        return len(self._rows)

    @property
    def page_rows(self) -> int:
        """The number of rows that the widget has room for."""
        width, height = self.content_size
        return max(height // self._height_of(width), _LEAST_ROWS)

    def show(self, below: FetchRows[RowT], above: FetchRows[RowT], rows: Sequence[RowT], empty_text: str) -> None:
        """Display a list from its start: ``rows`` are its first ones, two pages or all there are."""
        self._generation += 1
        self._below, self._above, self._rows = below, above, list(rows)
        self._first = self._cursor = 0
        self._has_start, self._has_end = True, len(rows) < self.first_count
        self._empty_text = empty_text
        self.refresh()

    @property
    def first_count(self) -> int:
        """The number of rows to pass to `show`."""
        return self.page_rows * 2

    async def move(self, step: int) -> None:
        """Move the cursor by ``step`` rows, to the end of the list at most."""
        await self._fetch_to(self._cursor + step)
        self._cursor = min(max(self._cursor + step, 0), max(len(self._rows) - 1, 0))
        self._trim()
        self.refresh()

    async def move_pages(self, step: int) -> None:
        """Move by ``step`` screens."""
        await self.move(step * max(self.page_rows - 1, 1))

    async def go_to_start(self) -> None:
        """Go to the first row of the whole list."""
        await self._replace(self._below, at_start=True)

    async def go_to_end(self) -> None:
        """Go to the last row of the whole list."""
        await self._replace(self._above, at_start=False)

    async def go_to(self, row_id: int) -> None:
        """Go to the row with this id, or to the first one beyond it, the rows before it in sight."""
        count, generation = self.first_count, self._generation
        below = await self._fetch(self._below, row_id - 1, count)
        above = await self._fetch(self._above, row_id, count)
        if generation == self._generation:
            self._rows, self._cursor = above + below, min(len(above), max(len(above) + len(below) - 1, 0))
            self._has_start, self._has_end = len(above) < count, len(below) < count
            self._first = max(0, self._cursor - self.page_rows // 2)
            self.refresh()

    def render(self) -> Content:
        """Return the rows that fit, the one at the cursor in reverse."""
        width, _ = self.content_size
        if not self._rows:
            return Content.styled(self._empty_text, "$faint")
        count = self.page_rows
        self._first = min(max(self._first, self._cursor - count + 1), self._cursor)
        lines = []
        for index in range(self._first, min(self._first + count, len(self._rows))):
            content = self._draw(self._rows[index], width)
            # Plain, so that the whole row is reversed, without colour too.
            lines.append(Content.styled(content.plain, "reverse bold") if index == self._cursor else content)
        return Content("\n").join(lines)

    async def _fetch(self, fetch: FetchRows[RowT], anchor: int | None, count: int) -> list[RowT]:
        """Return rows fetched in a thread; where that fails, display the error in place of the list."""
        try:
            return list(await asyncio.to_thread(fetch, anchor, count))
        except MeterlinkError as error:
            self.show(self._below, self._above, (), f"✗ {error}")
            return []

    async def _replace(self, fetch: FetchRows[RowT], *, at_start: bool) -> None:
        count, generation = self.first_count, self._generation
        rows = await self._fetch(fetch, None, count)
        if generation == self._generation:
            all_rows = len(rows) < count
            self._rows, self._cursor = rows, 0 if at_start else max(len(rows) - 1, 0)
            self._has_start, self._has_end = at_start or all_rows, not at_start or all_rows
            self._first = 0
            self.refresh()

    async def _fetch_to(self, target: int) -> None:
        """Fetch rows until the one at ``target`` is in memory, or the list ends."""
        generation = self._generation
        if target >= len(self._rows) and not self._has_end and self._rows:
            count = target - len(self._rows) + 1 + self.page_rows
            more = await self._fetch(self._below, self._rows[-1].id, count)
            if generation == self._generation:
                self._rows += more
                self._has_end = len(more) < count
        elif target < 0 and not self._has_start and self._rows:
            count = self.page_rows - target
            more = await self._fetch(self._above, self._rows[0].id, count)
            if generation == self._generation:
                self._rows = more + self._rows
                self._cursor += len(more)
                self._first += len(more)
                self._has_start = len(more) < count

    def _trim(self) -> None:
        """Drop the rows far from the cursor."""
        most = self.page_rows * _SCREENS
        if len(self._rows) <= most:
            return
        first = min(max(self._cursor - most // 2, 0), len(self._rows) - most)
        self._has_start &= first == 0
        self._has_end &= first + most == len(self._rows)
        self._rows = self._rows[first : first + most]
        self._cursor -= first
        self._first = max(self._first - first, 0)

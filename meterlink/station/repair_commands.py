"""The handlers of the commands on replacements and on the stock of the truck."""

import asyncio
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from meterlink.core.cautions import standard_caution
from meterlink.core.clock import Clock
from meterlink.core.equipment import CircuitState, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.questions import Choice, OpenQuestionError, Question
from meterlink.core.replacements import Replacement
from meterlink.core.stock import MOST_PARTS, Movement, MovementKind, StockCount, StockItem
from meterlink.core.text import LONGEST_REMARK, clean_text
from meterlink.station.current_visit import CurrentVisit
from meterlink.station.meter_trackers import MeterTrackers
from meterlink.station.replaced_parts import NewPart, new_part
from meterlink.station.truck import capacitor_entries, item_on_truck, stock_item
from meterlink.station.visit import ActiveVisit
from meterlink.station.visit_commands import VisitCommands
from meterlink.store.rows import NewReplacement
from meterlink.store.writer import Writer

if TYPE_CHECKING:
    from meterlink.judge.label.replacement import StockEntry

FITTED = "fitted"  # the answer where the rules object to a part that is fitted all the same
ELSEWHERE = "elsewhere"  # the source of a part that is not off the truck


class RepairCommands:
    """Records replacements, and the movements of the stock; ``show_stock`` gets the capacitors after each change."""

    def __init__(
        self,
        current: CurrentVisit,
        trackers: MeterTrackers,
        writer: Writer,
        visit_commands: VisitCommands,
        clock: Clock,
        *,
        update_diagnosis: Callable[[], None],
        show_stock: "Callable[[tuple[StockEntry, ...]], None]",
    ) -> None:
        self._current = current
        self._trackers = trackers
        self._writer = writer
        self._visit_commands = visit_commands
        self._clock = clock
        self._update_diagnosis = update_diagnosis
        self._show_stock = show_stock
        self._stock: list[StockCount] = []

    async def load_stock(self) -> None:
        """Read the counts from the database; from then on they follow the commands, as nobody else writes."""
        self._set_stock(await asyncio.wrap_future(self._writer.stock()))

    async def replace(self, point: TestPoint, text: str, answer: str, source: str) -> Mapping[str, object]:
        """Record that the part at ``point`` is swapped for one with the rating ``text``.

        A part of that rating on the truck is taken off the stock, unless ``source`` is ``elsewhere``. Where the rules
        of replacement object, ``answer`` must be ``fitted``.

        Raises:
            OpenQuestionError: the rating has several meanings, or the rules object.
            InputError: the text is no rating of this part, or ``source`` or ``answer`` is unknown.
            VisitError: no visit is active.
        """
        if source not in {"", ELSEWHERE}:
            raise InputError(f"{source!r} is no source of a part.", f"Write {ELSEWHERE}, or leave it out.")
        visit = self._current.require()
        part = new_part(visit, point, clean_text(text, LONGEST_REMARK))
        self._check(part, answer)
        await self._visit_commands.confirm_existence(visit, point)
        item = None
        if not source:
            item = item_on_truck(self._stock, point.component, part.rating if part.label is None else part.label)
        movement = None if item is None else self._movement(MovementKind.USED, item, 1)
        replacement = Replacement(
            point.component,
            point.circuit,
            part.sections,
            part.old_rating,
            part.rating,
            after_number=visit.last_number,
            utc_ns=self._clock.now().utc_ns,
        )
        new = NewReplacement(replacement, part.ratings, movement, part.objection)
        uid, stock = await asyncio.wrap_future(self._writer.replace_part(visit.require_ids().visit_id, new))
        visit.fit_part(uid, replacement, part.ratings, item)
        keys = visit.fitted[-1].keys
        visit.set_focus(_first_proof(visit, point, keys))
        self._forget_readings(keys)
        self._update_diagnosis()
        self._set_stock(stock)
        return {
            "visit": visit.require_ids().uid,
            "replacement": uid,
            "part": replacement.part,
            "points": [key for key in visit.points if key in keys],
            "old_rating": part.old_rating,
            "new_rating": part.rating,
            "method": part.method,
            "remarks": list(part.remarks),
            "stock": None if item is None else {"rating": str(item), "left": self._count(item)},
            "caution": standard_caution(CircuitState.ISOLATED, point.quantity),
        }

    async def undo(self, point: TestPoint) -> Mapping[str, object]:
        """Undo the newest replacement of the part at ``point``; a part off the truck is back in the stock.

        Raises:
            InputError: the part was not replaced in this visit, or one that it belongs to was replaced again since.
            VisitError: no visit is active.
        """
        visit = self._current.require()
        fitted = visit.newest_fitting(point)
        movement = None if fitted.item is None else self._movement(MovementKind.RETURNED, fitted.item, 1)
        stock = await asyncio.wrap_future(self._writer.undo_replacement(fitted.uid, movement))
        before = {key: visit.rating_text(key) for key in fitted.keys}
        of_undone = {key: [accepted.number for accepted in visit.accepted.get(key, ())] for key in fitted.keys}
        visit.undo_fitting(fitted)
        self._forget_readings(fitted.keys)
        changed = [key for key in fitted.keys if visit.rating_text(key) != before[key]]
        await self._visit_commands.judge_again(visit, [number for key in changed for number in of_undone[key]])
        self._update_diagnosis()
        self._set_stock(stock)
        return {
            "visit": visit.require_ids().uid,
            "replacement": fitted.uid,
            "part": fitted.replacement.part,
            "stock": None if fitted.item is None else {"rating": str(fitted.item), "left": self._count(fitted.item)},
        }

    async def add_stock(
        self, kind: str, part: str, text: str, count: int, place: str, note: str
    ) -> Mapping[str, object]:
        """Record a movement of the stock: ``count`` parts with the rating ``text``.

        Raises:
            OpenQuestionError: the rating of a capacitor has several meanings.
            InputError: ``kind`` is unknown, ``text`` is no rating, or ``count`` is out of its range.
        """
        if kind not in list(MovementKind):
            raise InputError(f"{kind!r} is no movement of the stock.", f"Write one of: {', '.join(MovementKind)}.")
        least = 0 if kind == MovementKind.COUNTED else 1
        if not least <= count <= MOST_PARTS:
            raise InputError(f"{count} is not the number of parts.", f"Write {least} to {MOST_PARTS}.")
        item = stock_item(part, text)
        movement = self._movement(MovementKind(kind), item, count, clean_text(place), clean_text(note, LONGEST_REMARK))
        self._set_stock(await asyncio.wrap_future(self._writer.add_movements([movement])))
        return {"part": item.part, "rating": item.rating, "count": self._count(item)}

    async def receive_stock(self, parts: Sequence[Mapping[str, object]]) -> Mapping[str, object]:
        """Record a restock: every line of ``parts`` in one transaction, or none.

        Raises:
            OpenQuestionError: the rating of a capacitor has several meanings.
            InputError: a line is no rating, or its count is out of its range, or there is no line.
        """
        if not parts:
            raise InputError("The restock has no part.", "Name each part that was bought, with its count.")
        movements = [self._received(line) for line in parts]
        self._set_stock(await asyncio.wrap_future(self._writer.add_movements(movements)))
        return {
            "parts": [
                {
                    "part": movement.item.part,
                    "rating": movement.item.rating,
                    "received": movement.count,
                    "count": self._count(movement.item),
                }
                for movement in movements
            ]
        }

    async def set_low_mark(self, text: str, count: int, part: str) -> Mapping[str, object]:
        """Set the low mark of a kind of part: with fewer than ``count`` it is to be bought; 0 takes the mark away.

        Raises:
            OpenQuestionError: the rating of a capacitor has several meanings.
            InputError: ``text`` is no rating, or ``count`` is out of its range.
        """
        if count > MOST_PARTS:
            raise InputError(f"{count} is no low mark.", f"Write 0 to {MOST_PARTS}.")
        item = stock_item(part, text)
        self._set_stock(await asyncio.wrap_future(self._writer.set_low_mark(item, count)))
        return {"part": item.part, "rating": item.rating, "count": self._count(item), "low": count}

    def used(self, visit: ActiveVisit) -> list[dict[str, object]]:
        """Return the kinds of parts off the truck that a visit fitted, with the number left and the low mark."""
        items = dict.fromkeys(fitted.item for fitted in visit.fitted if fitted.item is not None)
        counts = {count.item: count for count in self._stock}
        return [
            {"rating": str(item), "left": counts[item].count, "low": counts[item].low or None}
            for item in items
            if item in counts
        ]

    def _received(self, line: Mapping[str, object]) -> Movement:
        """Return the movement of a line of a restock.

        Raises:
            OpenQuestionError: the rating of a capacitor has several meanings.
            InputError: it is no such line.
        """
        part, text, count, place = (line.get(key) for key in ("part", "text", "count", "place"))
        texts = [text if isinstance(text, str) else "" for text in (part, text, place)]
        if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= MOST_PARTS:
            raise InputError(f"{count} of {texts[1]!r} is not the number of parts.", f"Write 1 to {MOST_PARTS}.")
        return self._movement(MovementKind.RECEIVED, stock_item(texts[0], texts[1]), count, clean_text(texts[2]))

    def _check(self, part: NewPart, answer: str) -> None:
        """Do nothing if the rules allow the part, or it is fitted against them.

        Raises:
            OpenQuestionError: the rules object, and nobody has said yet that it is fitted.
            InputError: ``answer`` is another word.
        """
        if not part.objection:
            return
        question: Question[object] = Question(
            f"{part.objection} Is it fitted all the same?",
            (
                Choice(FITTED, "it is fitted: the replacement is recorded", None),
                Choice("not fitted", "it is not fitted: nothing is recorded", None),
            ),
        )
        if not answer:
            raise OpenQuestionError(question)
        if question.choose(answer).key != FITTED:
            raise InputError("Nothing is recorded.", "Fit a part that the rules allow, and record that one.")

    def _forget_readings(self, keys: frozenset[str]) -> None:
        """Let every meter at these test points measure anew: it showed another part."""
        for tracker in self._trackers:
            if tracker.point_key in keys or tracker.accepted_at in keys:
                tracker.leave_part()

    def _movement(self, kind: MovementKind, item: StockItem, count: int, place: str = "", note: str = "") -> Movement:
        return Movement(kind, item, count, self._clock.now().utc_ns, place, note)

    def _count(self, item: StockItem) -> int:
        return next((count.count for count in self._stock if count.item == item), 0)

    def _set_stock(self, stock: list[StockCount]) -> None:
        self._stock = stock
        self._show_stock(capacitor_entries(stock))


def _first_proof(visit: ActiveVisit, point: TestPoint, keys: frozenset[str]) -> str:
    """Return the test point at which the proof of a new part begins: the first like ``point`` in the plan.

    The probes have often gone on to the second section of a capacitor when its replacement is recorded.
    """
    alike = (other for other in visit.points.values() if other.key in keys)
    return next(
        (other.key for other in alike if (other.state, other.quantity) == (point.state, point.quantity)), point.key
    )

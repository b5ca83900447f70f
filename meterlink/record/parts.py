"""Which readings of a visit belong to a part that was replaced, and which to the one that is there now."""

from collections.abc import Sequence

from meterlink.core.equipment import TestPoint
from meterlink.store.rows import HistoryRow, StoredReplacement


class Parts:
    """The readings of a visit by test point and part. Voided ones count nowhere."""

    def __init__(
        self, points: Sequence[TestPoint], rows: Sequence[HistoryRow], replacements: Sequence[StoredReplacement]
    ) -> None:
        self._points = points
        self._rows = [row for row in rows if row.void_reason is None]
        self._swaps = [
            (stored, stored.replacement.after_number or 0, stored.replacement.covered_keys(points))
            for stored in replacements
        ]

    def is_old(self, row: HistoryRow) -> bool:
        """Return whether the part that was read is no longer there."""
        return any(row.id <= after and row.point_key in keys for _, after, keys in self._swaps)

    def points_of(self, replaced: StoredReplacement) -> list[TestPoint]:
        """Return the test points whose readings are the replaced part's, in the order of the plan."""
        keys = next(keys for stored, _, keys in self._swaps if stored is replaced)
        return [point for point in self._points if point.key in keys]

    def before(self, replaced: StoredReplacement, key: str) -> HistoryRow | None:
        """Return the last reading of the part that was taken out; None without one."""
        swaps = self._swaps_at(key)
        place = swaps.index(replaced.replacement.after_number or 0)
        begin = swaps[place - 1] if place else 0
        return self._last(key, begin, swaps[place])

    def after(self, replaced: StoredReplacement, key: str) -> HistoryRow | None:
        """Return the last reading of the part that was put in; None without one."""
        swaps = self._swaps_at(key)
        place = swaps.index(replaced.replacement.after_number or 0)
        return self._last(key, swaps[place], swaps[place + 1] if place + 1 < len(swaps) else None)

    def is_newest(self, replaced: StoredReplacement, key: str) -> bool:
        """Return whether the part that was put in is still there."""
        return self._swaps_at(key)[-1] == (replaced.replacement.after_number or 0)

    def on_arrival(self) -> list[tuple[TestPoint, HistoryRow]]:
        """Return the last readings of the parts that were there at the beginning, in the order of the plan."""
        return self._readings({point.key: (0, next(iter(self._swaps_at(point.key)), None)) for point in self._points})

    def now(self) -> list[tuple[TestPoint, HistoryRow]]:
        """Return the last readings of the parts that are there at the end, in the order of the plan."""
        return self._readings({point.key: ((self._swaps_at(point.key) or [0])[-1], None) for point in self._points})

    def _readings(self, spans: dict[str, tuple[int, int | None]]) -> list[tuple[TestPoint, HistoryRow]]:
        found = [(point, self._last(point.key, *spans[point.key])) for point in self._points]
        return [(point, row) for point, row in found if row is not None]

    def _swaps_at(self, key: str) -> list[int]:
        return sorted(after for _, after, keys in self._swaps if key in keys)

    def _last(self, key: str, begin: int, end: int | None) -> HistoryRow | None:
        """Return the last reading with an id above ``begin``, and not above ``end``."""
        rows = [row for row in self._rows if row.point_key == key and begin < row.id and (end is None or row.id <= end)]
        return rows[-1] if rows else None

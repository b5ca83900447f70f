"""Rows read from the pages of a damaged SQLite file, without SQLite, which gives up a table at its first bad page.

The format is https://sqlite.org/fileformat.html; the sections are named below. A page is used only if its whole
structure is sound: every number in range, no cell over another, the row ids in order and within the bounds that the
page above gives. SQLite keeps no checksums of pages: a change inside a text cannot be seen here.
"""

import struct
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

Value = int | float | str | bytes | None

_HEADER = b"SQLite format 3\0"
_PAGE_SIZE = 4096  # of our databases (SQLite's default), where the header is lost
_LEAF, _INTERIOR, _INDEX_LEAF, _INDEX_INTERIOR = 0x0D, 0x05, 0x0A, 0x02  # 1.6
_DEEPEST = 20  # levels of a tree; three hold a season
LEAST, MOST = -(2**63), 2**63 - 1
"""The smallest and the largest row id."""


class UnsoundPageError(Exception):
    """A page, or a record in it, is not as SQLite writes it."""


class Range(NamedTuple):
    """The row ids above ``after`` up to ``last``, which a damaged page may have had."""

    after: int
    last: int


class Row(NamedTuple):
    """A row of a table: its id and its stored columns."""

    id: int
    values: tuple[Value, ...]


class _Cell(NamedTuple):
    offset: int
    end: int
    row_id: int
    values: tuple[Value, ...]
    child: int


class PageFile:
    """The pages of the database at ``path``, with the committed ones of its log."""

    def __init__(self, path: Path) -> None:
        self._bytes = path.read_bytes()
        header = self._bytes[:100]
        self.has_header = header.startswith(_HEADER)
        size = int.from_bytes(header[16:18], "big") if self.has_header else _PAGE_SIZE
        size = 65_536 if size == 1 else size
        self._size = size if size in {1 << power for power in range(9, 17)} else _PAGE_SIZE
        self._usable = self._size - (header[20] if self.has_header else 0)
        log = path.with_name(f"{path.name}-wal")
        self._newer, committed = _committed_pages(log.read_bytes(), self._size) if log.exists() else ({}, 0)
        if 1 in self._newer:
            self.has_header = self._newer[1].startswith(_HEADER)
        self.count = committed or len(self._bytes) // self._size
        """The number of pages: the last commit says it, as the file may be longer."""
        self.used: set[int] = set()

    def page(self, number: int) -> bytes:
        """Return the bytes of a page, from 1 on.

        Raises:
            UnsoundPageError: there is no such page.
        """
        if not 1 <= number <= self.count:
            raise UnsoundPageError
        page = self._newer.get(number) or self._bytes[(number - 1) * self._size : number * self._size]
        if len(page) != self._size:
            raise UnsoundPageError
        return page

    def rows(self, root: int, lost: list[Range], fits: Callable[[Row], bool]) -> Iterator[Row]:
        """Yield the rows of the table whose tree begins at a page; add the ranges of its damaged pages to ``lost``.

        A page with a row that does not fit is another table's, which took its place: damaged, too.
        """
        yield from self._table(root, LEAST - 1, MOST, lost, fits, 0)

    def _table(
        self, number: int, after: int, last: int, lost: list[Range], fits: Callable[[Row], bool], depth: int
    ) -> Iterator[Row]:
        found = self._sound_cells(number, {_LEAF, _INTERIOR})
        ids = [] if found is None else [cell.row_id for cell in found[1]]
        if found is None or depth > _DEEPEST or not _is_ascending([after, *ids]) or (ids and ids[-1] > last):
            lost.append(Range(after, last))
            return
        kind, cells, right = found
        if kind == _LEAF:
            rows = [Row(cell.row_id, cell.values) for cell in cells]
            if not all(map(fits, rows)):
                lost.append(Range(after, last))
                return
            self.used.add(number)
            yield from rows
            return
        self.used.add(number)
        for cell in cells:
            yield from self._table(cell.child, after, cell.row_id, lost, fits, depth + 1)
            after = cell.row_id
        yield from self._table(right, after, last, lost, fits, depth + 1)

    def entries(self, root: int) -> Iterator[tuple[Value, ...]]:
        """Yield the records of an index, or of a table without row ids.

        Raises:
            UnsoundPageError: a page of it is damaged; the records before are right.
        """
        yield from self._index(root, 0)

    def sound_entries(self, root: int) -> tuple[list[tuple[Value, ...]], bool]:
        """Return the records on the sound pages of a table without row ids, and whether all pages are sound."""
        found: list[tuple[Value, ...]] = []
        waiting, is_whole = [root], True
        while waiting:
            number = waiting.pop()
            page = None if number in self.used else self._sound_cells(number, {_INDEX_LEAF, _INDEX_INTERIOR})
            if page is None:
                is_whole = False
                continue
            kind, cells, right = page
            self.used.add(number)
            found += [cell.values for cell in cells]
            if kind == _INDEX_INTERIOR:
                waiting += [*(cell.child for cell in cells), right]
        return found, is_whole

    def _index(self, number: int, depth: int) -> Iterator[tuple[Value, ...]]:
        found = self._sound_cells(number, {_INDEX_LEAF, _INDEX_INTERIOR})
        if found is None or depth > _DEEPEST:
            raise UnsoundPageError
        kind, cells, right = found
        self.used.add(number)
        for cell in cells:
            if kind == _INDEX_INTERIOR:
                yield from self._index(cell.child, depth + 1)
            yield cell.values
        if kind == _INDEX_INTERIOR:
            yield from self._index(right, depth + 1)

    def free_pages(self) -> set[int] | None:
        """Return the pages that no table uses any more; None if the list of them is damaged (1.5)."""
        if not self.has_header:
            return None
        (trunk, count) = struct.unpack_from(">II", self.page(1), 32)
        free: set[int] = set()
        try:
            while trunk:
                (following, leaves) = struct.unpack_from(">II", self.page(trunk))
                if trunk in free or leaves > self._usable // 4 - 2:
                    return None
                free.add(trunk)
                free.update(struct.unpack_from(f">{leaves}I", self.page(trunk), 8))
                trunk = following
        except (UnsoundPageError, struct.error):
            return None
        return free if len(free) == count and not free & self.used else None

    def stray_leaves(self) -> Iterator[list[Row]]:
        """Yield the rows of each sound leaf that no page above leads to, because that one is damaged."""
        free = self.free_pages()
        if free is None:  # a page in no tree may then be an old one, with rows that were deleted since
            return
        for number in range(2, self.count + 1):
            if number in self.used or number in free:
                continue
            found = self._sound_cells(number, {_LEAF})
            if found is not None and found[1] and _is_ascending([LEAST - 1, *(cell.row_id for cell in found[1])]):
                yield [Row(cell.row_id, cell.values) for cell in found[1]]

    def _sound_cells(self, number: int, kinds: set[int]) -> tuple[int, list[_Cell], int] | None:
        """Return `_cells`; None where the page is not sound."""
        try:
            return self._cells(number, kinds)
        except (UnsoundPageError, struct.error, IndexError, UnicodeDecodeError):
            return None

    def _cells(self, number: int, kinds: set[int]) -> tuple[int, list[_Cell], int]:
        """Return the kind of a page, its cells and its rightmost child.

        Raises:
            UnsoundPageError: it is none of these kinds, or not sound.
        """
        page = self.page(number)
        begin = 100 if number == 1 else 0
        kind, _, count, content, _ = struct.unpack_from(">BHHHB", page, begin)
        if kind not in kinds:
            raise UnsoundPageError
        is_interior = kind in {_INTERIOR, _INDEX_INTERIOR}
        first = begin + (12 if is_interior else 8)
        pointers = struct.unpack_from(f">{count}H", page, first)
        content = content or 65_536
        if content < first + 2 * count or content > self._usable:
            raise UnsoundPageError
        cells = [self._cell(page, pointer, kind) for pointer in pointers]
        end = content
        for cell in sorted(cells):
            if cell.offset < end or cell.end > self._usable:
                raise UnsoundPageError
            end = cell.end
        (right,) = struct.unpack_from(">I", page, begin + 8) if is_interior else (0,)
        return kind, cells, right

    def _cell(self, page: bytes, offset: int, kind: int) -> _Cell:
        """Return the cell at a place in a page of a kind.

        Raises:
            UnsoundPageError: it is not sound.
        """
        at, child, row_id = offset, 0, 0
        if kind in {_INTERIOR, _INDEX_INTERIOR}:
            (child,) = struct.unpack_from(">I", page, at)
            at += 4
        if kind == _INTERIOR:
            row_id, at = _varint(page, at)
            return _Cell(offset, at, row_id, (), child)
        size, at = _varint(page, at)
        if kind == _LEAF:
            row_id, at = _varint(page, at)
        largest = self._usable - 35 if kind == _LEAF else (self._usable - 12) * 64 // 255 - 23
        if size < 1 or size > self._usable * self.count:
            raise UnsoundPageError
        if size <= largest:
            return _Cell(offset, at + size, row_id, _record(page[at : at + size], size), child)
        least = (self._usable - 12) * 32 // 255 - 23
        local = least + (size - least) % (self._usable - 4)
        local = local if local <= largest else least
        (following,) = struct.unpack_from(">I", page, at + local)
        payload = page[at : at + local] + self._overflow(following, size - local)
        return _Cell(offset, at + local + 4, row_id, _record(payload, size), child)

    def _overflow(self, number: int, size: int) -> bytes:
        """Return the rest of a payload (1.6, 'overflow pages').

        Raises:
            UnsoundPageError: its pages do not end where it ends, or one of them is empty.
        """
        parts: list[bytes] = []
        pages: list[int] = []
        while size > 0:
            page = self.page(number)
            if number in pages or not any(page):
                raise UnsoundPageError
            pages.append(number)
            parts.append(page[4 : 4 + min(size, self._usable - 4)])
            size -= self._usable - 4
            (number,) = struct.unpack_from(">I", page)
        if number:
            raise UnsoundPageError
        self.used.update(pages)
        return b"".join(parts)


def _is_ascending(numbers: list[int]) -> bool:
    return all(one < other for one, other in pairwise(numbers))


def _varint(page: bytes, at: int) -> tuple[int, int]:
    """Return a number of 1 to 9 bytes, most significant first, and the place behind it (1.6)."""
    number = 0
    for count in range(8):
        byte = page[at + count]
        number = number << 7 | byte & 0x7F
        if byte < 0x80:  # the high bit: more bytes follow
            return number, at + count + 1
    number = number << 8 | page[at + 8]
    return number - 2**64 if number > MOST else number, at + 9


_INTEGER_SIZES = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}
_FLOAT, _ZERO, _ONE, _FIRST_BLOB = 7, 8, 9, 12


def _record(payload: bytes, size: int) -> tuple[Value, ...]:
    """Return the columns of a record (2.1).

    Raises:
        UnsoundPageError: its lengths do not add up.
    """
    if len(payload) != size:
        raise UnsoundPageError
    end, at = _varint(payload, 0)
    if not 1 <= end <= size:
        raise UnsoundPageError
    values: list[Value] = []
    begin = end
    while at < end:
        kind, at = _varint(payload, at)
        if kind in _INTEGER_SIZES:
            length = _INTEGER_SIZES[kind]
            values.append(int.from_bytes(payload[begin : begin + length], "big", signed=True))
        elif kind == _FLOAT:
            length = 8
            (number,) = struct.unpack_from(">d", payload, begin)
            values.append(number)
        elif kind >= _FIRST_BLOB:
            length = (kind - _FIRST_BLOB) // 2
            data = payload[begin : begin + length]
            values.append(_text(data) if kind % 2 else data)
        elif kind in {0, _ZERO, _ONE}:
            length = 0
            values.append(None if kind == 0 else kind - _ZERO)
        else:
            raise UnsoundPageError
        begin += length
        if begin > size:
            raise UnsoundPageError
    if at != end or begin != size:
        raise UnsoundPageError
    return tuple(values)


def _text(data: bytes) -> str:
    if b"\0" in data:  # no text of ours has one
        raise UnsoundPageError
    return data.decode("utf-8")


def _committed_pages(log: bytes, size: int) -> tuple[dict[int, bytes], int]:
    """Return the newest committed version of each page in a write-ahead log (4.1), and the database's size in pages.

    Both are empty where the log has no commit. A frame counts if its checksum continues that of the frames before: the
    log ends at the first that does not.
    """
    if len(log) < 32 or int.from_bytes(log[:4], "big") not in {0x377F0682, 0x377F0683}:
        return {}, 0
    order = ">" if log[3] & 1 else "<"
    (stored_size, _, salts, *stored) = struct.unpack_from(">II8sII", log, 8)
    sums = _checksum(log[:24], order, (0, 0))
    if stored_size != size or tuple(stored) != sums:
        return {}, 0
    count = 0
    committed: dict[int, bytes] = {}
    waiting: dict[int, bytes] = {}
    for at in range(32, len(log) - 24 - size + 1, 24 + size):
        number, committed_count, frame_salts, *stored = struct.unpack_from(">II8sII", log, at)
        page = log[at + 24 : at + 24 + size]
        sums = _checksum(page, order, _checksum(log[at : at + 8], order, sums))
        if frame_salts != salts or tuple(stored) != sums:
            break
        waiting[number] = page
        if committed_count:  # of a frame that ends a transaction only
            count = committed_count
            committed |= waiting
            waiting = {}
    return committed, count


def _checksum(data: bytes, order: str, sums: tuple[int, int]) -> tuple[int, int]:
    first, second = sums
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for even, odd in zip(words[::2], words[1::2], strict=True):
        first = (first + even + second) & 0xFFFFFFFF
        second = (second + odd + first) & 0xFFFFFFFF
    return first, second

"""Pages of the raw readings of a record."""

from meterlink.store.raw_lines import line_of_reading
from meterlink.store.reader import Reader
from meterlink.store.rows import StoredReading


def raw_page(
    reader: Reader, limit: int, *, before_id: int | None = None, after_id: int | None = None
) -> list[StoredReading]:
    """Return the readings among ``limit`` lines before or after the reading with an id, without the gaps."""
    lines = reader.raw_lines(
        limit,
        before=None if before_id is None else line_of_reading(before_id),
        after=None if after_id is None else line_of_reading(after_id),
    )
    return [line.content for line in lines if isinstance(line.content, StoredReading)]

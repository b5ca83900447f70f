"""Messages for a broker in the database of a test: those that wait, and those that were refused."""

from collections.abc import Mapping
from pathlib import Path

from meterlink.store.rows import Batch, OutboxRow
from support.writers import OUTER, running_writer


def store_messages(
    database: Path, number: int, refused: Mapping[int, str], payload: bytes = b"[]", *, first: int = 1
) -> None:
    """Write ``number`` messages with the ids ``id-FIRST`` and so on; the broker refused some: ``{row id: reason}``."""
    rows = tuple(
        OutboxRow(f"id-{each}", f"meterlink/van/readings/{each}", payload, droppable=True)
        for each in range(first, first + number)
    )
    with running_writer(database) as writer:
        writer.submit(Batch(outbox=rows)).result(OUTER)
        writer.reject_messages(refused).result(OUTER)

"""``meterlink`` that notes each reading it has acknowledged, for a reset of the guest in the middle of its work.

The packets of a batch are added, a line in hex, to the file that ``ACKNOWLEDGED`` names, after the batch's Future has
its result. That file lies on the host, so a reset loses none of its lines. ``SYNCHRONOUS`` gives the connection another
`PRAGMA synchronous` than Meterlink's: for the negative control, which shows that the check can fail. Only this module
can set it.
"""

import os
import sqlite3
from concurrent.futures import Future
from pathlib import Path
from unittest import mock

from meterlink.cli.main import main
from meterlink.store import open_database, writer
from meterlink.store.connections import connect_for_writing
from meterlink.store.rows import Batch

_submit = writer.Writer.submit


def note_acknowledged(file: int) -> None:
    """Add the readings of each acknowledged batch to ``file``."""

    def submit(self: writer.Writer, batch: Batch) -> Future[None]:
        future = _submit(self, batch)
        rows = (*batch.readings, *(accepted.reading_row for accepted in batch.accepted))
        line = " ".join(row.reading.packet.hex() for row in rows)

        def note(done: Future[None]) -> None:
            if line and done.exception() is None:
                os.write(file, f"{line}\n".encode())

        future.add_done_callback(note)
        return future

    mock.patch.object(writer.Writer, "submit", submit).start()


def set_synchronous(level: str) -> None:
    """Let the writer commit with another ``PRAGMA synchronous``."""

    def connect(path: Path) -> sqlite3.Connection:
        connection = connect_for_writing(path)
        connection.execute(f"PRAGMA synchronous = {level}")
        return connection

    mock.patch.object(open_database, "connect_for_writing", connect).start()


if __name__ == "__main__":
    note_acknowledged(os.open(os.environ["ACKNOWLEDGED"], os.O_WRONLY | os.O_CREAT | os.O_APPEND))
    if "SYNCHRONOUS" in os.environ:
        set_synchronous(os.environ["SYNCHRONOUS"])
    main()

"""Writers of databases for tests, and the rows that they need before the first reading."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from meterlink.core.clock import Clock, SystemClock
from meterlink.core.equipment import Meter, Site
from meterlink.plans import DEFAULT_PLAN, load_plan
from meterlink.store.rows import NewConnection, VisitIds
from meterlink.store.writer import Writer

OUTER = 100  # s; a test that waits longer has failed


@contextmanager
def running_writer(path: Path, clock: Clock | None = None) -> Iterator[Writer]:
    """Run the writer of the database at ``path``; it must end without an alarm."""
    alarms: list[str] = []
    writer = Writer(path, station="van-3", clock=clock or SystemClock(), boot_id="b", on_alarm=alarms.append)
    writer.start()
    try:
        yield writer
    finally:
        writer.close()
    assert alarms == []


def open_visit(writer: Writer) -> tuple[VisitIds, int]:
    """Open a visit with the default plan and one connected meter; return ``(ids of the visit, connection)``."""
    now = SystemClock().now()
    visit = writer.open_visit(
        Site("Mill Lane bakery", "condenser"), load_plan(DEFAULT_PLAN).with_usual_answers({}), now
    ).result(OUTER)
    meter = writer.register_meter(Meter("00:00:5E:00:53:0A", "bench meter")).result(OUTER)
    return visit, writer.open_connection(NewConnection(meter, now))

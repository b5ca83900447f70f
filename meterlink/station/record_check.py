"""The check of the record's pages at the start of a station, beside the work."""

import asyncio
import logging
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from meterlink.core.errors import DamagedDatabaseError, StoreError
from meterlink.core.notices import NoticeLevel
from meterlink.store.checking import quick_check

log = logging.getLogger(__name__)


async def check_record(database: Path, report: Callable[[NoticeLevel, str], None]) -> None:
    """Look at all pages of the database; ``report(level, text)`` gets an alarm where they are damaged.

    A cancelled check ends its thread, too.
    """
    stopped = threading.Event()
    try:
        faults: Sequence[str] = await asyncio.to_thread(quick_check, database, stopped.is_set)
    except DamagedDatabaseError as error:
        faults = (error.message,)
    except StoreError as error:  # it is locked or gone now: the writer says so
        log.warning("The record could not be checked. %s", error)
        return
    finally:
        stopped.set()
    if faults:
        log.error("%s", "; ".join(faults))
        text = (
            f"The record is damaged: {faults[0]}. End the station when the job is done, then save the readable part:"
            " meterlink salvage -o FILE"
        )
        report(NoticeLevel.ALARM, text)

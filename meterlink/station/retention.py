"""Old raw readings are deleted by age, and where the disk gets short of room; accepted ones never.

It is the work of `meterlink thin`, slice by slice with pauses between, so that readings go on.
"""

import asyncio
import logging
import uuid
from collections.abc import Callable

from meterlink.core.clock import Clock, Timestamp, clock_is_set, format_rfc3339, suspended_ns
from meterlink.core.errors import StoreError
from meterlink.core.notices import NoticeLevel
from meterlink.core.text import count_phrase
from meterlink.settings.keeping_table import KeepingSettings
from meterlink.store.reader import Reader
from meterlink.store.thinning import LEAST_AGE
from meterlink.store.writer import Writer

# After the start, when meters are being connected and a person waits for the first reading.
FIRST_WAIT = 600.0  # s
# A disk does not get short of room within an hour: 8 meters at 10 Hz write less than 20 MB.
PERIOD = 3600.0  # s
# Between two slices, each of which takes some hundredths of a second: the writer is free for nine tenths of the time.
SLICE_PAUSE = 0.5  # s

_DAY = 86_400 * 10**9  # ns
# Raw readings of the last week are not deleted for room: the visits that they belong to may still be looked at.
_ROOM_AGE = 7 * _DAY
_STEP = 7 * _DAY
# A clock that nothing has set, and that is so long after the newest reading, may be wrong: a station that stood still
# for a season waits with the deleting until its next start. Common practice, no source.
_LONGEST_REST = 60 * _DAY
_LARGEST_STEP = _DAY  # of the wall clock against the time since the boot; time zones are no part of either

log = logging.getLogger(__name__)


class Retention:
    """Deletes raw readings by the settings that ``keeping`` returns; ``free`` returns the free bytes of the disk.

    ``report(level, text)`` gets a sentence while the disk is short of room, and an empty text once it is not. While the
    time is in doubt nothing is deleted: a clock that runs years ahead would make every reading old. ``slept_ns``
    returns the time for which the monotonic clock stood still since the boot, because the machine slept.
    """

    def __init__(
        self,
        writer: Writer,
        reader: Reader,
        clock: Clock,
        *,
        keeping: Callable[[], KeepingSettings],
        free: Callable[[], int],
        report: Callable[[NoticeLevel, str], None],
        slept_ns: Callable[[], int] = suspended_ns,
    ) -> None:
        self._writer = writer
        self._reader = reader
        self._clock = clock
        self._keeping = keeping
        self._free = free
        self._report = report
        self._slept_ns = slept_ns
        self._began = clock.now()
        self._slept_at_start = self._slept_before = slept_ns()
        self._doubt = ""

    async def run(self) -> None:
        """Delete every hour, the first time ten minutes after the start, until cancelled."""
        await self.begin()
        await asyncio.sleep(FIRST_WAIT)
        while True:
            try:
                await self.delete_old()
            except (StoreError, OSError) as error:  # the disk is full, fails or is gone: the writer's alarm says so
                log.warning("Old raw readings were not deleted. %s", error)
            await asyncio.sleep(PERIOD)

    async def begin(self) -> None:
        """Compare the clock with the newest reading of earlier starts, before there are any of this one."""
        try:
            newest = await asyncio.to_thread(self._reader.newest_raw_time)
        except StoreError as error:
            self._doubt = f"the newest reading is not known ({error.message})"
            return
        rest = 0 if newest is None else self._began.utc_ns - newest
        if rest > _LONGEST_REST:
            self._doubt = f"the newest reading is {rest // _DAY:,} days old"

    async def delete_old(self) -> None:
        """Delete the raw readings that are too old; and more, the oldest first, where the disk is short of room.

        Raises:
            StoreError: the disk is full or fails.
        """
        now, keeping = self._clock.now(), self._keeping()
        if doubt := self._doubt_of(now):
            log.warning("No raw readings are deleted: the clock may be wrong, as %s.", doubt)
            return
        if keeping.raw_days:
            before = now.utc_ns - max(keeping.raw_days * _DAY, LEAST_AGE)
            deleted = await self._thin(before)
            if deleted:
                log.info("%s from before %s deleted by age.", _readings(deleted), format_rfc3339(before))
        await self._make_room(now, keeping.least_free_mb * 10**6)

    def _doubt_of(self, now: Timestamp) -> str:
        """Return the reason to doubt the clock; empty if there is none."""
        slept = self._slept_ns()
        latest_sleep, self._slept_before = slept - self._slept_before, slept
        if latest_sleep > _LONGEST_REST:  # told by the clock that the wall clock is set from
            self._doubt = f"this machine slept for {latest_sleep // _DAY:,} days"
        is_set = clock_is_set(now.utc_ns)
        if is_set:
            return ""
        if is_set is False:
            return "it is not set"
        awake = now.monotonic_ns - self._began.monotonic_ns
        step = now.utc_ns - self._began.utc_ns - awake - (slept - self._slept_at_start)
        if abs(step) > _LARGEST_STEP:
            return "it was set by more than a day while the station ran"
        return self._doubt

    async def _make_room(self, now: Timestamp, least: int) -> None:
        oldest = await asyncio.to_thread(self._reader.oldest_raw_time)
        before, deleted = oldest, 0
        while (room := await self._room()) < least and before is not None and before < now.utc_ns - _ROOM_AGE:
            before = min(before + _STEP, now.utc_ns - _ROOM_AGE)
            deleted += await self._thin(before)
        if deleted:
            log.warning("%s deleted: the disk was short of room.", _readings(deleted))
        text = (
            f"The disk is short of room: {room / 1e6:,.0f} MB, of the {least / 1e6:,.0f} MB that are to be left. No raw"
            " reading older than a week is left to delete. Free some space."
        )
        self._report(NoticeLevel.WARNING, text if room < least else "")

    async def _room(self) -> int:
        """Return the bytes that can still be written: those of the disk, and the free room in the file."""
        return self._free() + await asyncio.to_thread(self._reader.free_room)

    async def _thin(self, before_utc_ns: int) -> int:
        run, deleted, after_id = str(uuid.uuid4()), 0, 0
        while True:
            done = await asyncio.wrap_future(self._writer.thin_slice(run, before_utc_ns, after_id))
            deleted, after_id = deleted + done.deleted, done.after_id
            if done.done:
                return deleted
            await asyncio.sleep(SLICE_PAUSE)


def _readings(number: int) -> str:
    return count_phrase(number, "raw reading") + (" was" if number == 1 else " were")

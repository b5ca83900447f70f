"""The handler of the command that thins the record: one slice for each command, so that the readings never wait."""

import asyncio
from collections.abc import Mapping

from meterlink.core.clock import Clock
from meterlink.core.errors import InputError
from meterlink.store.thinning import LEAST_AGE
from meterlink.store.writer import Writer


class ThinningCommands:
    """Deletes old raw readings through the station's writer."""

    def __init__(self, writer: Writer, clock: Clock) -> None:
        self._writer = writer
        self._clock = clock

    async def thin(self, uid: str, until_utc_ns: int, after_id: int) -> Mapping[str, object]:
        """Delete the raw readings from before a time in the slice after the row ``after_id``, 0 for the first.

        ``uid`` is the same for all slices of a run. The data: ``deleted``, ``after_id`` of the next slice, ``done``.

        Raises:
            InputError: there is no uid, or the time is less than a day ago.
        """
        if not uid or self._clock.now().utc_ns - until_utc_ns < LEAST_AGE:
            raise InputError(
                "Raw readings of the last day are not thinned: a visit may still need them.",
                "Give a time at least 1 day ago.",
            )
        done = await asyncio.wrap_future(self._writer.thin_slice(uid, until_utc_ns, after_id))
        return done._asdict()

"""The handlers of the commands on the station's key."""

import asyncio
from collections.abc import Mapping

from meterlink.core.text import LONGEST_REMARK, clean_text
from meterlink.store.writer import Writer

_REPLACED = "replaced"


class SealCommands:
    """Begins a new key of the station, with which the writer seals from then on."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer

    async def replace_key(self, text: str) -> Mapping[str, object]:
        """Begin a new key; ``text`` is the reason.

        Raises:
            SealError: the key's file cannot be written.
        """
        reason = clean_text(text, LONGEST_REMARK) or _REPLACED
        return {"public_key": await asyncio.wrap_future(self._writer.replace_key(reason)), "reason": reason}

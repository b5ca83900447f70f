"""How a station's readings become messages for a broker."""

import asyncio
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PublishingConfig:
    """How readings become messages for a broker."""

    station: str
    outbox_changed: asyncio.Event  # set when a committed transaction added messages

"""The configuration of a station."""

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from meterlink.ble.backends import ClientBackend, ScannerBackend
from meterlink.core.clock import Clock, SystemClock
from meterlink.core.equipment import Meter, Plan, Site
from meterlink.settings import Settings
from meterlink.station.replay import PacketSource


@dataclass(frozen=True, slots=True)
class StationConfig:
    """The configuration of a station.

    With ``site`` and ``plan`` it opens a visit there, or resumes the open one; without (both None), it resumes the
    visit that was active when a station last ran, if any. ``plan_text`` is the TOML of the plan, and ``answers`` those
    to its questions with which ``plan`` was made: both are kept with a visit that it opens, for a later station.

    It connects ``meters``; with ``adopt`` also other meters that a driver fits.

    The backends are bleak's by default, and ``jitter`` draws the radio's pauses (see `Radio`). ``serve`` is false
    for a run in simulated time, which has no watchers. Without ``publish`` messages wait in the outbox. ``first_point``
    is the first active test point; if empty, the first open point of the plan is active. A ``packet_source`` replaces
    the radio; the station stops at its end.
    """

    folder: Path
    settings: Settings
    site: Site | None
    plan: Plan | None
    boot_id: str
    plan_text: str = ""
    answers: Mapping[str, str] = field(default_factory=dict)
    meters: tuple[Meter, ...] = ()
    adopt: bool = False
    new_visit: bool = False
    serve: bool = True
    publish: bool = True
    clock: Clock = field(default_factory=SystemClock)
    scanner_backend: ScannerBackend | None = None
    client_backend: ClientBackend | None = None
    jitter: Callable[[float, float], float] = random.uniform
    first_point: str = ""
    packet_source: PacketSource | None = None

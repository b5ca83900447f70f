"""A soak of the whole daemon: faults in a seeded random order, work between them, and the evidence at the end."""

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from random import Random

from meterlink.core.errors import LinkError
from meterlink.link.messages import CommandName
from meterlink.settings import DATABASE_FILE, SETTINGS_FILE
from studies.soak.comparison import Evidence, Resources, least, most
from studies.soak.counting_meters import NAMES, displayed, volts
from studies.soak.daemon_process import DaemonProcess
from studies.soak.faults import Faults
from studies.soak.faulty_broker import FaultyBroker, running_faulty_broker
from studies.soak.plan import write_plan
from studies.soak.record import Record
from studies.soak.report import report
from studies.soak.technician import Technician
from support.small_disks import small_disk

OUTER_LIMIT = 120.0  # s; a limit, not a wait
_DISK = "64m"  # far more than a soak writes; the full disk is made full
_LOOKS = 8  # at the resources, a fraction of a second apart: work that comes and goes is not there at each of them
_MOST_OWN_ENDS = 3  # a daemon that ends by itself, or does not start, so often in a row

_SETTINGS = """\
station = "soak"

[mqtt]
host = "127.0.0.1"
port = {port}
tls = false

[keeping]
raw_days = 0
least_free_mb = 0
"""


@dataclass(frozen=True, slots=True)
class Outcome:
    """The end of a soak. The resources are those of the last daemon, early and late, and of a fresh one.

    ``own_ends`` has the last lines of each daemon that has ended by itself.
    """

    seed: int
    faults: Counter[str]
    evidence: Evidence
    duplicates: int
    early: Resources
    late: Resources
    fresh: Resources
    own_ends: list[str]

    @property
    def report(self) -> str:
        return report(self.seed, self.faults, self.evidence, self.duplicates, [self.early, self.late, self.fresh])


async def run_soak(folder: Path, kills: int, seed: int) -> Outcome:
    """Run a soak in an empty folder; the disk, the broker and the daemon are gone afterwards."""
    logs = folder / "logs"
    logs.mkdir()
    with small_disk(folder / "disk", _DISK) as disk:
        async with running_faulty_broker(folder) as broker:
            soak = Soak(disk, logs, broker, seed)
            try:
                return await soak.run(kills)
            finally:
                await soak.close()


class Soak:
    """One soak on the small disk ``disk``; the daemon's log and the displays are in ``logs``."""

    def __init__(self, disk: Path, logs: Path, broker: FaultyBroker, seed: int) -> None:
        folder = disk / "data"
        folder.mkdir(mode=0o700)
        (folder / SETTINGS_FILE).write_text(_SETTINGS.format(port=broker.port), encoding="utf-8")
        self._seed = seed
        self._rng = rng = Random(seed)
        self._path = folder / DATABASE_FILE
        self._broker = broker
        self._daemon = DaemonProcess(folder, logs)
        self._technician = Technician(folder, write_plan(logs), rng)
        self._faults = Faults(disk, self._daemon, self._technician, broker, rng)
        self._own_ends: list[str] = []

    async def run(self, kills: int) -> Outcome:
        """Kill the daemon ``kills`` times among other faults; then let one daemon live through all others twice."""
        await self._start()
        await self._technician.begin_visit()
        await self._technician.pin_meters()
        while self._faults.counts["kill -9"] < kills:
            for fault in self._rng.sample(self._faults.others, self._rng.randint(0, 2)):
                await self._meet(fault)
            await self._meet(self._faults.kill)
        await self._recover()
        self._faults.may_kill = False
        early, late = [least(await self._looks_after(self._faults.others * (1 + kills // 40))) for _ in range(2)]
        await self._restart()
        fresh = most(await self._looks_after([]))
        await self._publish_all()
        await self._technician.detach()
        await self._daemon.stop()
        duplicates = self._broker.consumer.duplicates()
        return Outcome(
            self._seed, self._faults.counts, self._evidence(), duplicates, early, late, fresh, self._own_ends
        )

    async def close(self) -> None:
        """End the daemon, if it runs."""
        await self._technician.detach()
        if not self._daemon.has_ended:
            self._daemon.kill()
            await self._daemon.ended()

    # The daemon

    async def _start(self) -> None:
        """Start the daemon and attach; a start that fails by itself is noted, and tried again."""
        for _ in range(_MOST_OWN_ENDS):
            await self._daemon.start()
            if await self._technician.attach(lambda: self._daemon.has_ended):
                return
            self._own_ends.append(self._daemon.last_lines())
        raise AssertionError("\n".join(self._own_ends[-1:]))

    async def _restart(self) -> None:
        await self._technician.detach()
        await self._daemon.stop()
        await self._start()

    async def _meet(self, fault: Callable[[], Awaitable[None]]) -> None:
        """Work a little, then let the fault come; where the daemon has ended, start it again."""
        try:
            for _ in range(self._rng.randint(0, 2)):
                await self._technician.work()
            await fault()
        except LinkError:
            await self._daemon.ended()
            await self._technician.detach()
            self._own_ends.append(self._daemon.last_lines())
        if self._daemon.has_ended:
            await self._start()

    # The end of all faults

    async def _looks_after(self, faults: list[Callable[[], Awaitable[None]]]) -> list[Resources]:
        """Return some looks at the daemon's resources when it has recovered from these faults, a display apart."""
        for fault in faults:
            await self._meet(fault)
        await self._recover()
        looks = []
        for _ in range(_LOOKS):
            await self._technician.next_display()
            looks.append(await self._daemon.resources())
        return looks

    async def _recover(self) -> None:
        """Return when every meter is read and the broker is reached."""
        await self._broker.start()
        for name in NAMES:
            await self._technician.until_meter(name, "connected")
        await self._technician.until_online()

    async def _publish_all(self) -> None:
        """Return when the meters are silent and the consumer has everything."""
        for name in NAMES:
            await self._daemon.tell(f"away {name}")
            await self._technician.until_meter(name, "lost")
        async with asyncio.timeout(OUTER_LIMIT):
            while (status := await self._technician.send(CommandName.STATUS))["outbox"] or status["set_aside"]:
                await self._technician.retry_messages()
                await asyncio.sleep(0.05)
        await self._broker.consumer.catch_up()

    def _evidence(self) -> Evidence:
        record, technician, consumer = Record(self._path), self._technician, self._broker.consumer
        displays = {name: displayed(self._daemon.displays, name) for name in NAMES}
        return Evidence(
            asked=technician.asked(displays, lambda name, count: f"{volts(name, count)} V"),
            acknowledged=technician.acknowledged,
            committed=record.accepted(),
            received=consumer.accepted(),
            raw_committed=record.raw(),
            raw_received=consumer.raw(),
            raw_at_wrong_point=record.raw_at_wrong_point(),
            visits_acknowledged=set(technician.visits.values()),
            visits_committed=record.visits(),
            wrong_visits_resumed=technician.wrong_visits_resumed,
            notes_acknowledged=technician.notes,
            notes_committed=record.notes(),
            steps_made=self._faults.counts["clock step"],
            steps_committed=record.clock_steps(),
            messages_committed=record.messages(),
            messages_received=len(consumer.packs()),
            messages_left=record.messages_left(),
            displays=displays,
            kept=record.counts(),
            gaps=record.gaps(),
        )

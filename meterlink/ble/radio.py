"""One Bluetooth adapter and the meters on it: scan, connect, supervise, hand packets on."""

import asyncio
import itertools
import logging
import random
from collections.abc import Callable, Coroutine, Iterable, Mapping, Sequence
from typing import Any

from bleak import BleakAdapter
from bleak.backends.adapter import BaseBleakAdapter
from bleak.backends.client import BaseBleakClient
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import BaseBleakScanner

from meterlink.ble.connection import Look, Packet
from meterlink.ble.discovery import Heard, HeardList, look_closer, not_heard
from meterlink.ble.scanner import Scanner
from meterlink.ble.states import RadioState
from meterlink.ble.supervisor import Shared, Supervisor
from meterlink.ble.timeouts import Limits
from meterlink.ble.waiting import bounded
from meterlink.core.clock import Clock
from meterlink.core.equipment import Meter
from meterlink.core.errors import RadioError
from meterlink.driver_api import Advertisement, Characteristic, DriverKind

log = logging.getLogger(__name__)


class Radio:
    """Connects meters and keeps them connected for as long as `run` runs.

    Connected are the ``known`` meters, by address, and with ``adopt`` any other that advertises something ``choose``
    accepts (at most ``limits.adopted`` of them). ``choose`` returns the driver kind for an advertisement, or None;
    it is asked again with the services once those are known, and that answer counts. ``named`` are the driver kinds
    that somebody named for a meter, by address: such a meter's kind is not chosen.

    ``on_packet`` gets every packet, in order, from inside a Bluetooth callback: it must only enqueue. ``on_change``
    gets a snapshot whenever one differs from the last. None of the callables may block or raise.

    The backends are bleak's by default; the demo and tests hand in their own. ``jitter`` draws a pause between two
    times in seconds.
    """

    def __init__(
        self,
        *,
        clock: Clock,
        choose: Callable[[Advertisement, Sequence[Characteristic] | None], DriverKind | None],
        on_packet: Callable[[Packet], None],
        on_change: Callable[[RadioState], None],
        known: Iterable[Meter] = (),
        adopt: bool = False,
        scanner_backend: type[BaseBleakScanner] | None = None,
        client_backend: type[BaseBleakClient] | None = None,
        adapter_backend: type[BaseBleakAdapter] | None = None,
        limits: Limits | None = None,
        jitter: Callable[[float, float], float] = random.uniform,
        named: Mapping[str, DriverKind] | None = None,
    ) -> None:
        self._choose = choose
        self._on_change = on_change
        self._known = {_key(meter.address): meter for meter in known}
        self._adopt = adopt
        self._adapter_backend = adapter_backend
        self._asks_system = scanner_backend is None or adapter_backend is not None
        self._limits = limits or Limits()
        self._scanner = Scanner(
            on_heard=self._heard,
            on_problem=self._radio_is,
            backend=scanner_backend,
            limits=self._limits,
            jitter=jitter,
        )
        self._named = {_key(address): kind for address, kind in (named or {}).items()}
        self._shared = Shared(
            clock=clock,
            choose=choose,
            named=self._named,
            on_packet=on_packet,
            client_backend=client_backend,
            limits=self._limits,
            jitter=jitter,
            slots=asyncio.Semaphore(self._limits.connections),
            working=asyncio.Event(),
            doubt=self._scanner.doubt,
            numbers=itertools.count(1),
        )
        self._problem = ""
        self._told: RadioState | None = None
        self._supervisors: dict[str, Supervisor] = {}
        self._looked_after: dict[str, asyncio.Task[None]] = {}
        self._heard_lately = HeardList()
        self._looked_at: set[str] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._group: asyncio.TaskGroup | None = None

    @property
    def state(self) -> RadioState:
        """How the radio and its meters stand now."""
        return RadioState(tuple(one.link for one in self._supervisors.values()), self._problem)

    def know(self, meter: Meter) -> None:
        """Connect ``meter`` from now on, too; one that is connected already stays so."""
        self._known[_key(meter.address)] = meter
        if self._group is not None:
            self._supervise(meter).know(meter)

    def known(self, address: str) -> Meter | None:
        """Return the meter to be connected at ``address``, None for a stranger's."""
        return self._known.get(_key(address))

    def named(self, address: str) -> DriverKind | None:
        """Return the driver kind that somebody named for the meter at ``address``."""
        return self._named.get(_key(address))

    def name_driver(self, address: str, kind: DriverKind | None) -> None:
        """Read the meter at ``address`` with ``kind``, None for a chosen one, from its next connection on."""
        if kind is None:
            self._named.pop(_key(address), None)
        else:
            self._named[_key(address)] = kind

    async def forget(self, address: str) -> None:
        """Disconnect the meter at ``address`` and leave it alone (with ``adopt``, until it is adopted again)."""
        self._known.pop(_key(address), None)
        self._supervisors.pop(_key(address), None)
        task = self._looked_after.pop(_key(address), None)
        if task is not None:
            task.cancel()
            await asyncio.wait({task})
        self._changed()

    def heard(self) -> list[Heard]:
        """Return everything heard lately, meters or not."""
        return self._heard_lately.recent()

    async def look(self, address: str) -> Look:
        """Return what the meter at ``address`` offers: as last seen where it is looked after here, else by connecting.

        RadioError, in words, where that cannot be.
        """
        supervisor = self._supervisors.get(_key(address))
        if supervisor is not None:
            if supervisor.look is None:
                raise RadioError(f"{supervisor.link.name or address} has not been connected yet.", _why(supervisor))
            return supervisor.look
        heard = self._heard_lately.get(address)
        if heard is None:
            raise RadioError(*not_heard(address))
        if _key(address) in self._looked_at:
            raise RadioError(f"{address} is being looked at already.", "Try again in a moment.")
        self._looked_at.add(_key(address))
        try:
            async with self._shared.slots:
                return await look_closer(
                    heard, limits=self._limits, backend=self._shared.client_backend, jitter=self._shared.jitter
                )
        finally:
            self._looked_at.discard(_key(address))

    async def run(self) -> None:
        """Run until cancelled. Then everything is disconnected, within ``limits.stop`` and the time to disconnect."""
        loop = asyncio.get_running_loop()
        cut_off: asyncio.TimerHandle | None = None
        try:
            async with asyncio.TaskGroup() as group:
                self._group = group
                try:
                    for meter in self._known.values():
                        self._supervise(meter)
                    self._start(self._scanner.run())
                    self._start(self._pick_up_links())
                    self._changed()
                    await loop.create_future()  # until cancelled
                finally:
                    self._group = None
                    # The tasks are cancelled next; one still waiting then is held up by its backend.
                    cut_off = loop.call_later(self._limits.stop, self._cancel_all)
        finally:
            if cut_off is not None:
                cut_off.cancel()
            self._supervisors.clear()
            self._looked_after.clear()
            self._shared.working.clear()

    def _start(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        assert self._group is not None  # noqa: S101 - the callers see to it
        task = self._group.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    def _cancel_all(self) -> None:
        for task in self._tasks:
            task.cancel()

    def _supervise(self, meter: Meter) -> Supervisor:
        supervisor = self._supervisors.get(_key(meter.address))
        if supervisor is None:
            supervisor = Supervisor(meter, self._shared, self._changed)
            self._supervisors[_key(meter.address)] = supervisor
            self._looked_after[_key(meter.address)] = self._start(supervisor.run())
            self._changed()
        return supervisor

    def _heard(self, device: BLEDevice, advertisement: Advertisement) -> None:
        if self._group is None:
            return
        self._heard_lately.note(device, advertisement)
        supervisor = self._supervisors.get(_key(device.address))
        if supervisor is None:
            if _key(device.address) in self._looked_at:  # two connections to one meter would be in each other's way
                return
            strangers = sum(address not in self._known for address in self._supervisors)
            if not self._adopt or strangers >= self._limits.adopted or self._choose(advertisement, None) is None:
                return
            supervisor = self._supervise(Meter(device.address, advertisement.name))
        supervisor.heard(device, advertisement)

    async def _pick_up_links(self) -> None:
        """Find known meters the system is still connected to, left over from a crash: they do not advertise."""
        if not self._asks_system:
            return
        await self._shared.working.wait()
        try:
            async with bounded(self._limits.scan_call, self._limits.grace):
                adapter = await BleakAdapter.get(backend=self._adapter_backend)
                devices = await adapter.get_connected_devices()
        except Exception as error:  # noqa: BLE001 - not offered everywhere (NotImplementedError), and only a shortcut
            log.debug("asking for existing connections failed: %r", error)
            return
        for device in devices:
            supervisor = self._supervisors.get(_key(device.address))
            if supervisor is not None:
                supervisor.found_linked(device)

    def _radio_is(self, problem: RadioError | None) -> None:
        self._problem = "" if problem is None else str(problem)
        if problem is None:
            self._shared.working.set()
        else:
            self._shared.working.clear()
        self._changed()

    def _changed(self) -> None:
        state = self.state
        if state != self._told:
            self._told = state
            self._on_change(state)


def _why(supervisor: Supervisor) -> str:
    return supervisor.link.detail or "Wait until the station has connected it."


def _key(address: str) -> str:
    """Return an address so that it compares: platforms and people differ in case."""
    return address.upper()

"""The one scan of an adapter: started, watched, started again."""

import asyncio
import logging
import random
from collections.abc import Callable
from contextlib import suppress

from bleak import BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner

from meterlink.ble.backend_errors import busy, radio_problem
from meterlink.ble.timeouts import Limits
from meterlink.ble.waiting import bounded, finish
from meterlink.core.errors import RadioError
from meterlink.core.text import clean_name
from meterlink.driver_api import Advertisement

log = logging.getLogger(__name__)

# What stands for 'not known': 127 in the Core specification (vol. 4 part E, 7.7.65.2), -127 in bleak.
_RSSI_UNKNOWN = frozenset({127, -127})


def advertisement(device: BLEDevice, data: AdvertisementData) -> Advertisement:
    """Return what bleak heard in our words: the name cleaned, UUIDs in lower case, an unknown RSSI as None."""
    return Advertisement(
        name=clean_name(data.local_name or device.name),
        service_uuids=tuple(uuid.lower() for uuid in data.service_uuids),
        manufacturer_data=dict(data.manufacturer_data),
        service_data={uuid.lower(): bytes(value) for uuid, value in data.service_data.items()},
        rssi=None if data.rssi in _RSSI_UNKNOWN else data.rssi,
    )


class Scanner:
    """Owns scanning, so that scans never overlap.

    ``on_heard`` gets every advertisement; ``on_problem`` gets None each time a scan has started, and what is wrong
    each time one could not be. Neither may raise or block.
    """

    def __init__(
        self,
        *,
        on_heard: Callable[[BLEDevice, Advertisement], None],
        on_problem: Callable[[RadioError | None], None],
        backend: type[BaseBleakScanner] | None = None,
        limits: Limits | None = None,
        jitter: Callable[[float, float], float] = random.uniform,
    ) -> None:
        self._on_heard = on_heard
        self._on_problem = on_problem
        self._backend = backend
        self._limits = limits or Limits()
        self._jitter = jitter
        self._doubted = asyncio.Event()
        self._heard_at = 0.0

    def doubt(self) -> None:
        """Start the scan anew, because somebody met a radio that seems gone: a start tells."""
        self._doubted.set()

    async def run(self) -> None:
        """Scan until cancelled; whatever the radio does, try again."""
        failures = 0
        while True:
            self._doubted.clear()
            error = await self._scan()
            if error is None:
                failures = 0
                continue
            failures += 1
            log.info("scan start %d failed: %r", failures, error)
            if busy(error) and failures < self._limits.busy_starts:
                pause = self._jitter(self._limits.pause_shortest, self._limits.pause_longest)
            else:
                self._on_problem(radio_problem(error))
                pause = min(self._limits.radio_retry_longest, self._limits.retry_first * 2.0 ** min(failures - 1, 8))
            await asyncio.sleep(pause)

    async def _scan(self) -> Exception | None:
        """Scan until the air goes silent or the radio is doubted; return why the scan did not start, if so."""
        live = True

        def heard(device: BLEDevice, data: AdvertisementData) -> None:
            if live:  # a backend may deliver what was under way when the scan was stopped
                self._heard_at = loop.time()
                self._on_heard(device, advertisement(device, data))

        loop = asyncio.get_running_loop()
        scanner: BleakScanner | None = None
        try:
            try:
                # A fresh object each time: what a failed one has left half open is its own.
                scanner = BleakScanner(heard, backend=self._backend)
                async with bounded(self._limits.scan_call, self._limits.grace):
                    await scanner.start()
            except Exception as error:  # noqa: BLE001 - every platform raises its own kinds, down to FileNotFoundError
                return error
            self._on_problem(None)
            await self._listen()
            return None
        finally:
            live = False
            if scanner is not None:
                await finish(self._stop(scanner))

    async def _listen(self) -> None:
        """Return when nothing at all has been heard for too long, or when the radio is doubted."""
        loop = asyncio.get_running_loop()
        self._heard_at = loop.time()
        while (left := self._heard_at + self._limits.scan_silence - loop.time()) > 0:
            with suppress(TimeoutError):
                async with asyncio.timeout(left):
                    await self._doubted.wait()
                    return
        log.info("nothing heard for %g s: starting the scan anew", self._limits.scan_silence)

    async def _stop(self, scanner: BleakScanner) -> None:
        try:
            async with bounded(self._limits.scan_call, self._limits.grace):
                await scanner.stop()
        except Exception as error:  # noqa: BLE001 - a scan that cannot be stopped must not keep the next from starting
            log.debug("stopping the scan failed: %r", error)

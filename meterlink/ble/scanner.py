"""The one scan of an adapter: started, watched, started again."""

import asyncio
import logging
import random
from collections.abc import Callable
from contextlib import suppress

from bleak import BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner

from meterlink.ble.backend_errors import is_busy, scan_error
from meterlink.ble.cancellation import run_to_completion, timeout_with_cleanup
from meterlink.ble.timeouts import RadioTimeouts
from meterlink.core.errors import RadioError
from meterlink.core.text import clean_text
from meterlink.driver_api import Advertisement

log = logging.getLogger(__name__)

# What stands for 'not known': 127 in the Core specification (vol. 4 part E, 7.7.65.2), -127 in bleak.
_RSSI_UNKNOWN = frozenset({127, -127})


def to_advertisement(device: BLEDevice, data: AdvertisementData) -> Advertisement:
    """Return what bleak heard in our words: the name cleaned, UUIDs in lower case, an unknown RSSI as None."""
    return Advertisement(
        name=clean_text(data.local_name or device.name),
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
        on_advertisement: Callable[[BLEDevice, Advertisement], None],
        on_scan_result: Callable[[RadioError | None], None],
        backend: type[BaseBleakScanner] | None = None,
        timeouts: RadioTimeouts | None = None,
        jitter: Callable[[float, float], float] = random.uniform,
    ) -> None:
        self._on_advertisement = on_advertisement
        self._on_scan_result = on_scan_result
        self._backend = backend
        self._timeouts = timeouts or RadioTimeouts()
        self._jitter = jitter
        self._restart_requested = asyncio.Event()
        self._last_advertisement_at = 0.0

    def request_restart(self) -> None:
        """Start the scan anew, because somebody met a radio that seems gone: a start tells."""
        self._restart_requested.set()

    async def run(self) -> None:
        """Scan until cancelled; whatever the radio does, try again."""
        failures = 0
        while True:
            self._restart_requested.clear()
            error = await self._scan()
            if error is None:
                failures = 0
                continue
            failures += 1
            log.info("scan start %d failed: %r", failures, error)
            if is_busy(error) and failures < self._timeouts.busy_scan_starts:
                pause = self._jitter(self._timeouts.shortest_pause, self._timeouts.longest_pause)
            else:
                self._on_scan_result(scan_error(error))
                pause = min(self._timeouts.scan_retry_longest, self._timeouts.retry_first * 2.0 ** min(failures - 1, 8))
            await asyncio.sleep(pause)

    async def _scan(self) -> Exception | None:
        """Scan until the air goes silent or the radio is doubted; return why the scan did not start, if so."""
        live = True

        def heard(device: BLEDevice, data: AdvertisementData) -> None:
            if live:  # a backend may deliver what was under way when the scan was stopped
                self._last_advertisement_at = loop.time()
                self._on_advertisement(device, to_advertisement(device, data))

        loop = asyncio.get_running_loop()
        scanner: BleakScanner | None = None
        try:
            try:
                # A fresh object each time: what a failed one has left half open is its own.
                scanner = BleakScanner(heard, backend=self._backend)
                async with timeout_with_cleanup(self._timeouts.scan_start_stop, self._timeouts.cleanup):
                    await scanner.start()
            except Exception as error:  # noqa: BLE001 - every platform raises its own kinds, down to FileNotFoundError
                return error
            self._on_scan_result(None)
            await self._wait_for_silence()
            return None
        finally:
            live = False
            if scanner is not None:
                await run_to_completion(self._stop(scanner))

    async def _wait_for_silence(self) -> None:
        """Return when nothing at all has been heard for too long, or when the radio is doubted."""
        loop = asyncio.get_running_loop()
        self._last_advertisement_at = loop.time()
        while (left := self._last_advertisement_at + self._timeouts.scan_silence - loop.time()) > 0:
            with suppress(TimeoutError):
                async with asyncio.timeout(left):
                    await self._restart_requested.wait()
                    return
        log.info("nothing heard for %g s: starting the scan anew", self._timeouts.scan_silence)

    async def _stop(self, scanner: BleakScanner) -> None:
        try:
            async with timeout_with_cleanup(self._timeouts.scan_start_stop, self._timeouts.cleanup):
                await scanner.stop()
        except Exception as error:  # noqa: BLE001 - a scan that cannot be stopped must not keep the next from starting
            log.debug("stopping the scan failed: %r", error)

"""The scan of an adapter: started, watched, restarted."""

import asyncio
import logging
import random
from collections.abc import Callable
from contextlib import suppress

from bleak import BleakScanner
from bleak.args.bluez import BlueZScannerArgs
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner

from meterlink.ble.adapter_choice import AdapterChoice
from meterlink.ble.backend_errors import is_busy, scan_error
from meterlink.ble.cancellation import run_to_completion, timeout_with_cleanup
from meterlink.ble.platforms import is_heard, signal_strength
from meterlink.ble.timeouts import RadioTimeouts
from meterlink.core.errors import RadioError
from meterlink.core.text import clean_text
from meterlink.driver_api import Advertisement

log = logging.getLogger(__name__)

# Bluetooth may be away for days: the first failures tell why, and the end is reported.
_LOGGED_FAILURES = 3
_START_FAILED = "scan start %d failed: %r"


def to_advertisement(device: BLEDevice, data: AdvertisementData) -> Advertisement:
    """Convert bleak's advertisement: the name cleaned, UUIDs in lower case, an unknown RSSI as None."""
    return Advertisement(
        name=clean_text(data.local_name or device.name),
        service_uuids=tuple(uuid.lower() for uuid in data.service_uuids),
        manufacturer_data=dict(data.manufacturer_data),
        service_data={uuid.lower(): bytes(value) for uuid, value in data.service_data.items()},
        rssi=signal_strength(data),
    )


class Scanner:
    """Owns scanning, so that scans never overlap.

    ``on_advertisement`` receives every advertisement. ``on_scan_result`` receives None each time a scan has started,
    and the error each time a start failed. Neither may raise or block.
    """

    def __init__(
        self,
        *,
        on_advertisement: Callable[[BLEDevice, Advertisement], None],
        on_scan_result: Callable[[RadioError | None], None],
        backend: type[BaseBleakScanner] | None = None,
        timeouts: RadioTimeouts | None = None,
        jitter: Callable[[float, float], float] = random.uniform,
        adapter: AdapterChoice,
    ) -> None:
        self._on_advertisement = on_advertisement
        self._on_scan_result = on_scan_result
        self._backend = backend
        self._timeouts = timeouts or RadioTimeouts()
        self._jitter = jitter
        self._adapter = adapter
        self._scanning_since: float | None = None  # event loop time
        self._requested = asyncio.Event()  # one of the following has changed
        self._restart_requested = False
        self._retry_requested = False
        self._paused = False
        self._doubted_since: float | None = None  # event loop time
        self._last_advertisement_at = 0.0  # event loop time

    @property
    def scanning_for(self) -> float:
        """Seconds since the present scan has started; 0 without one."""
        return 0.0 if self._scanning_since is None else asyncio.get_running_loop().time() - self._scanning_since

    def request_restart(self) -> None:
        """Restart the scan because the radio seems gone: the start shows whether it works."""
        self._restart_requested = True
        self._requested.set()

    def retry_now(self) -> None:
        """Restart the scan, or try at once to start one, because the system's Bluetooth has changed."""
        self._retry_requested = True
        self.request_restart()

    def pause(self) -> None:
        """End the scan until `resume`: every answer to an active scan costs a connection a little of its time."""
        self._paused = True
        self._requested.set()

    def resume(self) -> None:
        """Scan again, if it is paused."""
        self._paused = False
        self._requested.set()

    def use_adapter(self, adapter: AdapterChoice) -> None:
        """Scan with another adapter at once."""
        self._adapter = adapter
        self.retry_now()

    def doubt(self, since: float) -> None:
        """Restart the scan if nothing is heard from ``since`` (event loop time) for ``timeouts.doubt_after``.

        A meter whose link broke or went silent at ``since`` may be away, or the radio is.
        """
        self._doubted_since = since
        self._requested.set()

    async def run(self) -> None:
        """Scan until cancelled; try again after every failure."""
        failures = 0
        while True:
            await self._wait_while_paused()
            self._restart_requested = False
            self._doubted_since = None
            error = await self._scan()
            if error is None:
                failures = 0
                continue
            if self._retry_requested:  # the failures were those of the state before
                failures = 0
                self._retry_requested = False
            failures += 1
            log.log(logging.INFO if failures <= _LOGGED_FAILURES else logging.DEBUG, _START_FAILED, failures, error)
            if is_busy(error) and failures < self._timeouts.busy_scan_starts:
                pause = self._jitter(self._timeouts.shortest_pause, self._timeouts.longest_pause)
            else:
                self._on_scan_result(scan_error(error))
                pause = min(self._timeouts.scan_retry_longest, self._timeouts.retry_first * 2.0 ** min(failures - 1, 8))
            await self._pause(pause)

    async def _wait_while_paused(self) -> None:
        while self._paused:
            self._requested.clear()
            await self._requested.wait()

    async def _pause(self, seconds: float) -> None:
        """Wait ``seconds``, or until `retry_now`."""
        with suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                while not self._retry_requested:
                    self._requested.clear()
                    await self._requested.wait()

    async def _scan(self) -> Exception | None:
        """Scan until the air is silent or a restart is requested; return the error if the scan did not start."""
        live = True

        def receive(device: BLEDevice, data: AdvertisementData) -> None:
            if live and is_heard(data):  # a backend may still deliver advertisements after the scan was stopped
                self._last_advertisement_at = loop.time()
                self._on_advertisement(device, to_advertisement(device, data))

        loop = asyncio.get_running_loop()
        scanner: BleakScanner | None = None
        try:
            try:
                async with timeout_with_cleanup(self._timeouts.scan_start_stop, self._timeouts.cleanup):
                    name = await self._adapter.name()
                    bluez: BlueZScannerArgs = {"adapter": name} if name else {}
                    # A fresh object each time: a failed one may be half open.
                    scanner = BleakScanner(receive, bluez=bluez, backend=self._backend)
                    await scanner.start()
            except Exception as error:  # noqa: BLE001 - every platform raises its own kinds, down to FileNotFoundError
                return error
            self._scanning_since = loop.time()
            self._retry_requested = False
            self._on_scan_result(None)
            await self._wait_for_silence()
            return None
        finally:
            live = False
            self._scanning_since = None
            if scanner is not None:
                await run_to_completion(self._stop(scanner))

    async def _wait_for_silence(self) -> None:
        """Return when nothing was heard for ``timeouts.scan_silence``, in doubt earlier, on request, or at a pause."""
        loop = asyncio.get_running_loop()
        self._last_advertisement_at = loop.time()
        while not (self._restart_requested or self._paused):
            end = self._last_advertisement_at + self._timeouts.scan_silence
            if self._doubted_since is not None and self._last_advertisement_at <= self._doubted_since:
                end = min(end, self._doubted_since + self._timeouts.doubt_after)
            left = end - loop.time()
            if left <= 0:
                log.info("nothing heard for %.1f s: scanning anew", loop.time() - self._last_advertisement_at)
                return
            self._requested.clear()
            with suppress(TimeoutError):
                async with asyncio.timeout(left):
                    await self._requested.wait()

    async def _stop(self, scanner: BleakScanner) -> None:
        try:
            async with timeout_with_cleanup(self._timeouts.scan_start_stop, self._timeouts.cleanup):
                await scanner.stop()
        except Exception as error:  # noqa: BLE001 - a failed stop must not block the next start
            log.debug("stopping the scan failed: %r", error)

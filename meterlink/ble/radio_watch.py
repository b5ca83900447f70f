"""The system's Bluetooth state turned into 'scan anew, now', while the radio runs."""

import asyncio
import logging
from typing import Protocol

from meterlink.ble.bluetooth_state import BluetoothState, BluetoothWatch, has_lost_scan, may_have_changed
from meterlink.ble.timeouts import RadioTimeouts

log = logging.getLogger(__name__)


class WatchedScanner(Protocol):
    """The part of a `Scanner` that a watch needs."""

    @property
    def scanning_for(self) -> float:
        """Seconds since the present scan has started; 0 without one."""
        ...

    def request_restart(self) -> None:
        """Restart the scan."""
        ...

    def retry_now(self) -> None:
        """Restart the scan, or try at once to start one."""
        ...


class RadioWatch:
    """Follows a `BluetoothWatch`. Its end or failure leaves the radio as it is without one.

    ``adapter`` is the address of the one that scans; empty for the system's choice.
    """

    def __init__(
        self, watch: BluetoothWatch, scanner: WatchedScanner, timeouts: RadioTimeouts, adapter: str = ""
    ) -> None:
        self._watch = watch
        self._scanner = scanner
        self._timeouts = timeouts
        self._adapter = adapter.upper()
        self._state: BluetoothState | None = None
        self._scan_check: asyncio.TimerHandle | None = None

    def use_adapter(self, address: str) -> None:
        """Watch the adapter at ``address`` from now on."""
        self._adapter = address.upper()

    async def run(self) -> None:
        """Follow the watch until cancelled; begin again when it fails."""
        pause = self._timeouts.retry_first
        try:
            while True:
                try:
                    await self._watch.run(self._on_state)
                except Exception as error:  # noqa: BLE001 - the platform's own kinds; the scan goes on without
                    log.debug("following the system's Bluetooth state failed: %r", error)
                if self._state is not None:  # it has worked
                    pause = self._timeouts.retry_first
                    self._state = None
                await asyncio.sleep(pause)
                pause = min(2 * pause, self._timeouts.retry_longest)
        finally:
            self._cancel_scan_check()

    async def _on_state(self, state: BluetoothState) -> None:
        before, self._state = self._state, state
        self._cancel_scan_check()
        if before is None or not may_have_changed(before, state):
            if has_lost_scan(state, self._adapter):
                self._check_scan_later()
            return
        log.info("Bluetooth: %s", _summary(state))
        if before.owner and before.owner != state.owner:
            try:
                await self._watch.forget_cached_state()
            except Exception as error:  # noqa: BLE001 - the platform's own kinds; silence shows the lost links later
                log.debug("dropping the state of the ended Bluetooth service failed: %r", error)
        self._scanner.retry_now()

    def _check_scan_later(self) -> None:
        self._scan_check = asyncio.get_running_loop().call_later(self._timeouts.lost_scan, self._check_scan)

    def _check_scan(self) -> None:
        """Scan anew, unless the scan is so young that its start may not have been told yet."""
        self._scan_check = None
        if self._scanner.scanning_for >= self._timeouts.lost_scan:
            log.info("the system has ended the scan: scanning anew")
            self._scanner.request_restart()
        elif self._scanner.scanning_for > 0:
            self._check_scan_later()

    def _cancel_scan_check(self) -> None:
        if self._scan_check is not None:
            self._scan_check.cancel()
            self._scan_check = None


def _summary(state: BluetoothState) -> str:
    if not state.owner:
        return "the system's service does not run"
    adapters = [f"{adapter.name} {'on' if adapter.powered else 'off'}" for adapter in state.adapters]
    return ", ".join(adapters) or "no adapter"

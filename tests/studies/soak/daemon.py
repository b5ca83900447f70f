"""The whole daemon as a process: ``python -m studies.soak.daemon FOLDER DISPLAYS OFFSET``.

It is `meterlink run`, but for two things: the radio is a virtual one with counting meters, whose displays are kept in
the folder DISPLAYS, and the wall clock is OFFSET s ahead of the machine's. Lines on standard input change them:
``away NAME``, ``back NAME``, ``clock OFFSET``. ``report`` is answered on standard output, by one line.
"""

import asyncio
import gc
import json
import sys
import time
from collections import Counter
from pathlib import Path

from meterlink.cli.file_modes import private_files
from meterlink.cli.log_output import LogForm, start_log
from meterlink.cli.run import read_boot_id, run_until_signalled
from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Meter
from meterlink.core.units import Quantity
from meterlink.settings import data_dir, load_settings
from meterlink.station.station import Station, StationConfig
from meterlink_simulators.air import Air
from meterlink_simulators.encoders.presented import DescribedFunction, PresentedEncoder
from meterlink_simulators.peripheral import Peripheral
from studies.soak.counting_meters import ADDRESSES, CountingMeter


class SteppedClock:
    """The clocks of this machine, with a wall clock that is ``offset_ns`` ahead."""

    def __init__(self, offset_ns: int) -> None:
        self.offset_ns = offset_ns

    def now(self) -> Timestamp:
        return Timestamp(time.time_ns() + self.offset_ns, time.monotonic_ns())


async def obey(clock: SteppedClock, meters: dict[str, Peripheral]) -> None:
    """Obey the lines on standard input."""
    reader = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    while line := (await reader.readline()).decode().split():
        match line:
            case ["away" | "back" as where, name]:
                meters[name].set_out_of_range(where == "away")
            case ["clock", seconds]:
                clock.offset_ns = round(float(seconds) * 1e9)
            case ["report"]:
                sys.stdout.write(f"{json.dumps(report())}\n")
                sys.stdout.flush()


def report() -> dict[str, object]:
    """Return the asyncio tasks by their coroutine; the garbage is collected before the memory is looked at."""
    gc.collect()
    return {"tasks": Counter(getattr(task.get_coro(), "__qualname__", "") for task in asyncio.all_tasks())}


async def run(folder: Path, displays: Path, offset_ns: int) -> None:
    clock = SteppedClock(offset_ns)
    async with Air() as air:
        described = [DescribedFunction(Quantity.VOLTAGE)]
        meters = {
            name: await air.add_meter(
                CountingMeter(name, displays), encoder=PresentedEncoder(described), address=address
            )
            for name, address in ADDRESSES.items()
        }
        config = StationConfig(
            folder, load_settings(folder), None, None, read_boot_id(), clock=clock,
            meters=tuple(Meter(address, name) for name, address in ADDRESSES.items()),
            scanner_backend=air.scanner_backend, client_backend=air.client_backend,
        )  # fmt: skip
        obeying = asyncio.create_task(obey(clock, meters))
        try:
            await run_until_signalled(Station(config))
        finally:
            obeying.cancel()


def main() -> None:
    folder, displays, offset = sys.argv[1:]
    start_log(sys.stderr, LogForm.TEXT, lambda: (), verbose=False)
    with private_files():
        asyncio.run(run(data_dir(folder), Path(displays), round(float(offset) * 1e9)))


if __name__ == "__main__":
    main()

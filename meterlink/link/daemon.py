"""Starting the daemon of a data folder, and stopping it."""

import asyncio
import contextlib
import shlex
import sys
import tempfile
from collections.abc import AsyncIterator
from pathlib import Path

from meterlink.core.errors import LinkError
from meterlink.link.client import connect

# A daemon that has no socket after this time has failed without a message.
_START_TIMEOUT = 20.0  # s
# A daemon that hangs while it stops is killed after this time; acknowledged readings are on the disk.
_STOP_TIMEOUT = 30.0  # s
_LONGEST_ERROR = 1 << 15  # bytes; a settings file with a hundred errors has half of that


@contextlib.asynccontextmanager
async def ensure_daemon(folder: Path) -> AsyncIterator[None]:
    """Start a daemon on ``folder`` if none runs, and stop it at the end; leave a running daemon alone.

    Raises:
        LinkError: the daemon did not start; the message ends with the daemon's error.
    """
    try:
        client = await connect(folder)
    except LinkError:
        pass
    else:
        await client.close()
        yield
        return
    with tempfile.TemporaryFile() as errors:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "meterlink", "run", "--data", str(folder),
            stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.DEVNULL, stderr=errors,
        )  # fmt: skip
        try:
            await _wait_until_reachable(folder, process)
        except LinkError as error:
            errors.seek(0)
            reason = _last_error(errors.read()[-_LONGEST_ERROR:].decode(errors="replace"))
            await _stop(process)
            raise LinkError(f"{error.message} {reason}".strip(), error.remedy) from error
        try:
            yield
        finally:
            await _stop(process)


def _last_error(output: str) -> str:
    """Return the error that ends a command's ``output``: a line for each error of a file; else the last line."""
    lines = output.strip().splitlines() or [""]
    begins = [number for number, line in enumerate(lines) if line.startswith("meterlink: ")]
    return "\n".join(lines[begins[-1] if begins else -1 :])


async def _wait_until_reachable(folder: Path, process: asyncio.subprocess.Process) -> None:
    tries = round(_START_TIMEOUT / 0.1)
    for _ in range(tries):
        try:
            await (await connect(folder)).close()
        except LinkError:
            if process.returncode is not None:
                break
            await asyncio.sleep(0.1)
        else:
            return
    raise LinkError(
        "The station's daemon did not start.", f"Run `meterlink run --data {shlex.quote(str(folder))}` to see why."
    )


async def _stop(process: asyncio.subprocess.Process) -> None:
    with contextlib.suppress(ProcessLookupError):
        process.terminate()
    try:
        await asyncio.wait_for(process.wait(), _STOP_TIMEOUT)
    except TimeoutError:
        process.kill()
        await process.wait()

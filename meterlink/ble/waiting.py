"""Two ways to wait that hold even when the call that is waited for misbehaves."""

import asyncio
from collections.abc import AsyncIterator, Coroutine
from contextlib import asynccontextmanager
from typing import Any


@asynccontextmanager
async def bounded(seconds: float, grace: float) -> AsyncIterator[None]:
    """Cut the body off after ``seconds``, and its tidying up after ``grace`` more; TimeoutError either way.

    A single ``asyncio.timeout`` cancels once: a backend that then waits for an unanswered call while tidying up would
    hang for ever.
    """
    async with asyncio.timeout(seconds + grace), asyncio.timeout(seconds):
        yield


async def finish(work: Coroutine[Any, Any, None]) -> None:
    """Run ``work`` to its end even when cancelled meanwhile, then pass the cancellation on.

    A second cancellation cuts ``work`` off too.
    """
    task = asyncio.create_task(work)
    try:
        await asyncio.shield(task)
    except asyncio.CancelledError:
        await task
        raise

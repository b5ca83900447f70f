"""Two ways to wait that hold even when the call that is waited for misbehaves."""

import asyncio
from collections.abc import AsyncIterator, Coroutine
from contextlib import asynccontextmanager
from typing import Any


@asynccontextmanager
async def timeout_with_cleanup(seconds: float, cleanup_seconds: float) -> AsyncIterator[None]:
    """Cut the body off after ``seconds``, and its tidying up after ``grace`` more; TimeoutError either way.

    A single ``asyncio.timeout`` cancels once: a backend that then waits for an unanswered call while tidying up would
    hang for ever.
    """
    async with asyncio.timeout(seconds + cleanup_seconds), asyncio.timeout(seconds):
        yield


async def run_to_completion(coroutine: Coroutine[Any, Any, None]) -> None:
    """Run ``work`` to its end even when cancelled meanwhile, then pass the cancellation on.

    A second cancellation cuts ``work`` off too.
    """
    task = asyncio.create_task(coroutine)
    try:
        await asyncio.shield(task)
    except asyncio.CancelledError:
        await task
        raise

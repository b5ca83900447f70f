"""Two ways to wait for a call that may hang or be cancelled."""

import asyncio
from collections.abc import AsyncIterator, Coroutine
from contextlib import asynccontextmanager
from typing import Any


@asynccontextmanager
async def timeout_with_cleanup(seconds: float, cleanup_seconds: float) -> AsyncIterator[None]:
    """Cancel the body after ``seconds``, and its clean-up after ``cleanup_seconds`` more.

    A single ``asyncio.timeout`` cancels only once. A backend whose clean-up waits for an unanswered call would then
    hang for ever.

    Raises:
        TimeoutError: the body or its clean-up was cancelled.
    """
    async with asyncio.timeout(seconds + cleanup_seconds), asyncio.timeout(seconds):
        yield


async def run_to_completion(coroutine: Coroutine[Any, Any, None]) -> None:
    """Run ``coroutine`` to its end even if cancelled meanwhile. A second cancellation cancels ``coroutine``, too.

    Raises:
        CancelledError: the caller was cancelled meanwhile.
    """
    task = asyncio.create_task(coroutine)
    try:
        await asyncio.shield(task)
    except asyncio.CancelledError:
        await task
        raise

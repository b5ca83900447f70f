"""A paced action: at once after quiet, gathered up to the interval, and no timer while nothing is requested."""

import asyncio
from collections.abc import Callable, Coroutine
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.link.pacing import PacedAction
from meterlink_simulators.virtual_time import DeadlockError, run_in_virtual_time

INTERVAL = 0.1


def calls_of(body: Callable[[PacedAction], Coroutine[Any, Any, None]]) -> list[float]:
    """Return the virtual times at which the action of ``body`` was called."""
    calls: list[float] = []

    async def run() -> None:
        loop = asyncio.get_running_loop()
        await body(PacedAction(lambda: calls.append(loop.time()), INTERVAL))

    run_in_virtual_time(run())
    return calls


def test_the_first_request_after_quiet_is_carried_out_at_once() -> None:
    async def body(action: PacedAction) -> None:
        for _ in range(3):
            action.request()
            await asyncio.sleep(0.35)

    assert calls_of(body) == pytest.approx([0.0, 0.35, 0.7])


def test_the_requests_of_one_turn_are_gathered() -> None:
    async def body(action: PacedAction) -> None:
        for _ in range(1000):
            action.request()
        await asyncio.sleep(1)

    assert calls_of(body) == [0.0]


def test_a_cancelled_request_is_not_carried_out() -> None:
    async def body(action: PacedAction) -> None:
        action.request()
        action.cancel()
        action.cancel()
        await asyncio.sleep(1)
        action.request()
        await asyncio.sleep(1)

    assert calls_of(body) == [1.0]


def test_nothing_runs_without_a_request() -> None:
    async def body(action: PacedAction) -> None:
        action.request()
        await asyncio.Event().wait()  # the virtual loop fails when no timer is set

    with pytest.raises(DeadlockError):
        calls_of(body)


@given(st.lists(st.floats(min_value=0.001, max_value=0.5), min_size=1, max_size=40))
def test_every_request_is_carried_out_within_the_interval_and_no_two_calls_are_nearer(pauses: list[float]) -> None:
    requests: list[float] = []

    async def body(action: PacedAction) -> None:
        for pause in pauses:
            await asyncio.sleep(pause)
            requests.append(asyncio.get_running_loop().time())
            action.request()
        await asyncio.sleep(1)

    calls = calls_of(body)
    slack = 1e-6
    for request in requests:
        assert any(request <= call <= request + INTERVAL + slack for call in calls)
        if all(request - call > INTERVAL for call in calls if call < request):
            assert request in calls
    assert all(later - call >= INTERVAL - slack for call, later in pairwise(calls))

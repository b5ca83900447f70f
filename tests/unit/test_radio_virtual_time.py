"""Virtual time: the order of callbacks, and the work that a jump never overtakes."""

import asyncio
import socket
import threading
import time
from datetime import UTC, datetime
from typing import Any

import pytest

from meterlink_simulators.virtual_time import DeadlockError, VirtualClock, VirtualTimeLoop, run_in_virtual_time

HOURS = 3600.0


def test_hours_pass_at_once_and_time_is_exact():
    async def body():
        await asyncio.sleep(10 * HOURS)
        return asyncio.get_running_loop().time()

    begin = time.monotonic()
    assert run_in_virtual_time(body()) == pytest.approx(10 * HOURS, abs=1e-9)
    assert time.monotonic() - begin < 30  # generous: a real sleep would be ten hours


def test_a_sleep_longer_than_a_day_is_not_cut():
    # asyncio itself caps one wait at 24 h.
    async def body():
        await asyncio.sleep(60 * HOURS)
        return asyncio.get_running_loop().time()

    assert run_in_virtual_time(body()) == pytest.approx(60 * HOURS)


def test_timers_run_in_the_order_of_their_times():
    async def body():
        seen = []

        async def at(delay):
            await asyncio.sleep(delay)
            seen.append((delay, asyncio.get_running_loop().time()))

        await asyncio.gather(*(at(delay) for delay in (3.0, 0.5, 2.0, 0.25, 1.0)))
        return seen

    seen = run_in_virtual_time(body())
    assert [delay for delay, _ in seen] == [0.25, 0.5, 1.0, 2.0, 3.0]
    assert all(now == pytest.approx(delay) for delay, now in seen)
    assert run_in_virtual_time(body()) == seen


def test_time_stands_still_while_callbacks_run():
    async def body():
        loop = asyncio.get_running_loop()
        before = loop.time()
        time.sleep(0.02)  # noqa: ASYNC251 - this test needs a slow callback
        await asyncio.sleep(0)
        return loop.time() - before

    assert run_in_virtual_time(body()) == 0


def test_a_cancelled_timer_does_not_move_time():
    async def body():
        loop = asyncio.get_running_loop()
        loop.call_later(100 * HOURS, lambda: None).cancel()
        await asyncio.sleep(1)
        return loop.time()

    assert run_in_virtual_time(body()) == pytest.approx(1)


def test_timeout_fires_in_virtual_time():
    async def body():
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(20):
                await asyncio.sleep(3 * HOURS)
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(asyncio.Event().wait(), 5)
        return asyncio.get_running_loop().time()

    assert run_in_virtual_time(body()) == pytest.approx(25)


def test_a_thread_is_not_overtaken_by_a_timer():
    async def body():
        loop = asyncio.get_running_loop()
        order: list[Any] = []
        loop.call_later(0.001, order.append, "timer")
        await asyncio.to_thread(time.sleep, 0.05)
        order.append("thread")
        assert loop.time() == 0
        await asyncio.sleep(1)
        return order

    assert run_in_virtual_time(body()) == ["thread", "timer"]


def test_a_failing_and_a_cancelled_executor_call_let_time_go_on():
    async def body():
        loop = asyncio.get_running_loop()
        with pytest.raises(ZeroDivisionError):
            await loop.run_in_executor(None, lambda: 1 // 0)
        release = threading.Event()
        call = asyncio.ensure_future(loop.run_in_executor(None, release.wait))
        await asyncio.sleep(0)
        call.cancel()
        with pytest.raises(asyncio.CancelledError):
            await call
        await asyncio.sleep(HOURS)
        release.set()
        return loop.time()

    assert run_in_virtual_time(body()) == pytest.approx(HOURS)


def test_own_thread_named_by_the_busy_hook_is_not_overtaken():
    # A writer thread of its own, as in a store: the loop does not see it, so the hook reports it.
    working = threading.Event()

    async def body():
        loop = asyncio.get_running_loop()
        for _ in range(50):
            done = loop.create_future()
            working.set()

            def work(done=done):
                loop.call_soon_threadsafe(done.set_result, None)
                working.clear()

            late = loop.call_later(0.5, done.cancel)
            thread = threading.Thread(target=work)
            thread.start()
            await done
            late.cancel()
            thread.join()
        return loop.time()

    assert run_in_virtual_time(body(), busy=working.is_set) == 0


def test_a_ready_socket_is_polled_before_a_jump():
    async def body():
        loop = asyncio.get_running_loop()
        left, right = socket.socketpair()
        with left, right:
            left.setblocking(False)
            right.setblocking(False)
            right.send(b"hello")
            order: list[Any] = []
            loop.call_later(0.001, order.append, "timer")
            order.append(await loop.sock_recv(left, 16))
            await asyncio.sleep(1)
            return order

    assert run_in_virtual_time(body()) == [b"hello", "timer"]


def test_stream_server_with_the_busy_hook():
    talking = True

    async def body():
        nonlocal talking

        async def echo(reader, writer):
            writer.write(await reader.readexactly(4))
            await writer.drain()
            writer.close()
            await writer.wait_closed()

        server = await asyncio.start_server(echo, "127.0.0.1", 0)
        async with server:
            reader, writer = await asyncio.open_connection(*server.sockets[0].getsockname())
            writer.write(b"ping")
            async with asyncio.timeout(1):
                answer = await reader.readexactly(4)
            writer.close()
            await writer.wait_closed()
        talking = False
        await asyncio.sleep(HOURS)
        return answer

    assert run_in_virtual_time(body(), busy=lambda: talking) == b"ping"


def test_deadlock_is_an_error_and_the_main_task_is_cleaned_up():
    cleaned = []

    async def body():
        try:
            await asyncio.get_running_loop().create_future()
        finally:
            cleaned.append(True)

    with pytest.raises(DeadlockError, match="stuck"):
        run_in_virtual_time(body())
    assert cleaned == [True]


def test_speed_paces_virtual_time():
    async def body():
        begin = time.monotonic()
        await asyncio.sleep(10)
        return time.monotonic() - begin

    took = run_in_virtual_time(body(), speed=200)
    assert took >= 0.045  # 10 s at 200 times real time, with room for the poll's rounding


def test_speed_lets_a_socket_in_early():
    async def body():
        loop = asyncio.get_running_loop()
        left, right = socket.socketpair()
        with left, right:
            left.setblocking(False)
            waker = threading.Timer(0.02, right.send, (b"x",))
            waker.start()
            async with asyncio.timeout(10 * HOURS):
                assert await loop.sock_recv(left, 1) == b"x"
            waker.join()
            return loop.time()

    assert 0 < run_in_virtual_time(body(), speed=1) < 60


def test_clock_follows_the_loop_from_a_fixed_start():
    async def body():
        clock = VirtualClock(datetime(2026, 7, 14, 15, 4, 5, tzinfo=UTC))
        first = clock.now()
        await asyncio.sleep(1.25)
        return first, clock.now()

    first, second = run_in_virtual_time(body())
    assert first.utc_ns == 1784041445_000_000_000
    assert second.utc_ns - first.utc_ns == second.monotonic_ns - first.monotonic_ns == 1_250_000_000


def test_leftover_tasks_are_cancelled_and_the_loop_closed():
    kept: list[Any] = []

    async def body():
        kept.append(asyncio.get_running_loop())
        kept.append(asyncio.ensure_future(asyncio.sleep(HOURS)))

    run_in_virtual_time(body())
    loop, task = kept
    assert isinstance(loop, VirtualTimeLoop)
    assert loop.is_closed()
    assert task.cancelled()

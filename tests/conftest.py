"""Rules for every test: no deadline that depends on the machine's speed, and no thread left running."""

import gc
import threading
import time
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings

# A deadline would make a test depend on the speed of the machine.
settings.register_profile("meterlink", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("meterlink")

# On a busy machine a thread may need a moment to end after it was stopped.
_END_TIMEOUT = 5.0  # s


@pytest.fixture(autouse=True)
def no_thread_outlives_its_test() -> Iterator[None]:
    """Fail a test that leaves a thread running, and make unawaited coroutines warn in the test that made them."""
    before = set(threading.enumerate())
    yield
    gc.collect(0)
    limit = time.monotonic() + _END_TIMEOUT
    while left := [thread for thread in threading.enumerate() if thread not in before and thread.is_alive()]:
        if time.monotonic() > limit:
            pytest.fail(f"left running: {', '.join(thread.name for thread in left)}")
        left[0].join(0.05)

"""pytest fixtures for driver authors; loaded by pytest wherever Meterlink is installed.

``feed``
    ``feed(factory, encoder, [display, ...])`` returns a driver's readings of an encoder's packets, without a radio.
``air``
    An `Air` to put simulated meters on; its backends go to ``bleak.BleakScanner`` and ``bleak.BleakClient``.
``run_virtual``
    ``run_virtual(coroutine)`` runs a test's coroutine in virtual time and returns its result: hours pass in moments. At
    its end the meters on ``air`` are switched off, if the test uses that fixture too.

A test with a radio in virtual time is an ordinary function::

    def test_reading_arrives(air, run_virtual):
        async def body():
            meter = await air.add_meter(instrument, encoder=PresentedEncoder())
            async with BleakClient(meter.address, backend=air.client_backend) as client:
                ...

        run_virtual(body())

The virtual Bluetooth stack is imported only for a test that uses ``air``.
"""

from collections.abc import Callable, Coroutine
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

import pytest

if TYPE_CHECKING:
    from meterlink.core.readings import Reading
    from meterlink.driver_api import DriverFactory
    from meterlink_simulators.air import Air
    from meterlink_simulators.display import DisplayState
    from meterlink_simulators.encoders import Encoder

_T = TypeVar("_T")


class VirtualTimeRunner(Protocol):
    """The ``run_virtual`` fixture's value."""

    def __call__(self, coroutine: Coroutine[Any, Any, _T], *, busy: Callable[[], bool] | None = None) -> _T:
        """Run ``coroutine`` in virtual time; ``busy`` as in `meterlink_simulators.virtual_time.VirtualTimeLoop`."""
        ...


@pytest.fixture
def air() -> "Air":
    """Return an empty `Air`. ``run_virtual`` closes it; without that fixture use ``async with air:``."""
    from meterlink_simulators.air import Air  # noqa: PLC0415 - pytest must not load bumble at start-up

    return Air()


@pytest.fixture
def run_virtual(request: pytest.FixtureRequest) -> VirtualTimeRunner:
    """Return a function that runs a coroutine in virtual time."""
    from meterlink_simulators.virtual_time import run_in_virtual_time  # noqa: PLC0415 - nor asyncio

    air: Air | None = request.getfixturevalue("air") if "air" in request.fixturenames else None

    async def closing(coroutine: Coroutine[Any, Any, _T]) -> _T:
        if air is None:
            return await coroutine
        async with air:
            return await coroutine

    def run(coroutine: Coroutine[Any, Any, _T], *, busy: Callable[[], bool] | None = None) -> _T:
        return run_in_virtual_time(closing(coroutine), busy=busy)

    return run


@pytest.fixture(name="feed")
def _feed() -> "Callable[[DriverFactory, Encoder, list[DisplayState]], list[Reading]]":
    """Return `meterlink_simulators.driver_kit.feed`."""
    from meterlink_simulators.driver_kit import feed  # noqa: PLC0415 - as above

    return feed

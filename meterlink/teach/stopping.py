"""A search that is stopped by another thread; it ends as one that Ctrl-C interrupts."""

from collections.abc import Callable

IsStopped = Callable[[], bool]
"""Returns whether the search is to end. It is asked at least once in a second of computing, and must not block."""


class StoppedSearchError(Exception):
    """The search was stopped; the report is the best so far."""


def never() -> bool:
    """Return false: nothing stops the search but the keyboard."""
    return False


def check_stop(is_stopped: IsStopped) -> None:
    """End the search if it is stopped.

    Raises:
        StoppedSearchError: it is stopped.
    """
    if is_stopped():
        raise StoppedSearchError

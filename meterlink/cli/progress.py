"""A progress bar on a terminal; nothing in a pipe or a file."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

Progress = Callable[[str, int, int], None]
"""Called with the work in a word, the number of parts that are done, and of all."""

_STEPS = 1000  # a terminal has fewer columns


@contextmanager
def progress_bar() -> Iterator[Progress]:
    """Yield a function that shows how far a work is, on standard error if that is a terminal."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield lambda _work, _done, _all: None
        return
    with click.progressbar(length=_STEPS, file=sys.stderr, label="Begin") as bar:

        def show(work: str, done: int, whole: int) -> None:
            bar.label = work
            bar.update(round(_STEPS * done / max(whole, 1)) - bar.pos)

        yield show

"""The option for the paper of a print."""

from collections.abc import Callable
from typing import Any

import click

from meterlink.record.paper import Paper


def paper_option(words: str) -> Callable[[Any], Any]:
    """Return the option ``--paper``, described by ``words``."""
    return click.option(
        "--paper", type=click.Choice(list(map(str, Paper))), default=str(Paper.A4), show_default=True, help=words
    )

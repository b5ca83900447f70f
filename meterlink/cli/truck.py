"""The options that the commands on the stock share, and the stock as they read and name it."""

from collections.abc import Mapping
from typing import Any

import click

from meterlink.cli.output import printable_text
from meterlink.core.errors import NoDatabaseError
from meterlink.core.stock import CAPACITOR, Movement, StockCount, StockItem
from meterlink.settings import DATABASE_FILE, existing_data_dir
from meterlink.store.reader import Reader

part_option = click.option(
    "--part", default=CAPACITOR, show_default=True, metavar="NAME", help="The kind of part: contactor, fan motor."
)
place_option = click.option("--place", default="", help="Where it lies on the truck: 'left bin'.")


def read_stock(data: str | None) -> list[StockCount]:
    """Return the counts of the parts on the truck; none where there is no database yet."""
    try:
        return Reader(existing_data_dir(data) / DATABASE_FILE).stock()
    except NoDatabaseError:
        return []


def read_movements(data: str | None) -> list[Movement]:
    """Return the entries of the ledger, oldest first; none where there is no database yet."""
    try:
        return Reader(existing_data_dir(data) / DATABASE_FILE).stock_movements()
    except NoDatabaseError:
        return []


def item_text(part: Mapping[str, Any]) -> str:
    """Return the kind of part that a reply of the station names: ``contactor 2-pole 30 A``."""
    return printable_text(str(StockItem(part["part"], part["rating"])))

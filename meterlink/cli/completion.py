"""Values that a shell completes: plans, and the visits, test points, sites, units and meters of the data folder.

The database is only read. A mistake in it completes nothing: the command itself names it.
"""

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

import click
from click.shell_completion import CompletionItem

from meterlink.core.errors import MeterlinkError

if TYPE_CHECKING:
    from meterlink.store.reader import Reader

Complete = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]


def _from_database(values: "Callable[[Reader], Iterable[tuple[str, str]]]") -> Complete:
    """Return a completion from ``values``, which yields pairs ``(value, description)``."""

    def complete(context: click.Context, _parameter: click.Parameter, incomplete: str) -> list[CompletionItem]:
        from meterlink.settings import DATABASE_FILE, existing_data_dir  # noqa: PLC0415  # only where a shell completes
        from meterlink.store.reader import Reader  # noqa: PLC0415  # as above

        data = context.params.get("data")
        try:
            found = dict(values(Reader(existing_data_dir(str(data) if data else None) / DATABASE_FILE)))
        except (MeterlinkError, OSError):
            return []
        begun = incomplete.casefold()
        return [
            CompletionItem(value, help=help_) for value, help_ in found.items() if value.casefold().startswith(begun)
        ]

    return complete


def _points(reader: "Reader") -> Iterable[tuple[str, str]]:
    visit = reader.visit()
    return [] if visit is None else [(point.key, f"{point.circuit}: {point.title}") for point in visit.plan.points]


complete_point = _from_database(_points)
"""The test points of the active visit."""

complete_visit = _from_database(
    lambda reader: [(visit.uid, f"{visit.site.name} / {visit.site.unit}") for visit in reversed(reader.visits())]
)
"""The ids of the visits, newest first."""

complete_open_visit = _from_database(
    lambda reader: [
        (visit.uid, f"{visit.site.name} / {visit.site.unit}")
        for visit in reversed(reader.visits())
        if visit.closed_utc_ns is None
    ]
)
"""The ids of the open visits, newest first."""

complete_site = _from_database(lambda reader: [(site.name, "") for site in reversed(reader.sites())])
"""The known sites, newest first."""

complete_unit = _from_database(
    lambda reader: [(visit.site.unit, visit.site.name) for visit in reversed(reader.visits())]
)
"""The known units, newest first."""

complete_meter = _from_database(lambda reader: [(row.current_address, row.meter.name) for row in reader.known_meters()])
"""The addresses of the known meters."""


def complete_plan(_context: click.Context, _parameter: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """Complete the name of a shipped plan; where none begins so, the shell completes a file's name."""
    from meterlink.plans import load_plan, shipped_plans  # noqa: PLC0415  # only where a shell completes

    begun = [name for name in shipped_plans() if name.startswith(incomplete)]
    return [CompletionItem(name, help=load_plan(name).name) for name in begun] or [CompletionItem("", type="file")]

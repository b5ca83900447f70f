"""``meterlink schema``: the JSON Schema of each kind of TOML file."""

import json
from typing import Any

import click


@click.command()
@click.argument("kind", type=click.Choice(["settings", "stock", "plan", "profile", "readings", "replacements"]))
def command(kind: str) -> None:
    """Print the JSON Schema of a KIND of TOML file: settings, stock, plan, profile, readings or replacements.

    With it an editor completes keys, and marks errors while you type. Save it beside the file:

    \b
        meterlink schema settings > settings.schema.json

    and write this comment as the first line of settings.toml, for an editor that knows it:

    \b
        #:schema ./settings.schema.json

    Other editors have a setting that gives a file name, such as settings.toml, its schema. Meterlink itself finds every
    error that the schema finds, and more.
    """  # \b: click does not wrap this paragraph
    click.echo(json.dumps(schema_of(kind), indent=2))  # ASCII only: safe in a pipe of any encoding


def schema_of(kind: str) -> dict[str, Any]:
    """Return the JSON Schema of a kind of file, one of those that the command offers."""
    # Each reader is imported only for its own schema.
    match kind:
        case "settings":
            from meterlink.settings import settings_schema  # noqa: PLC0415

            return settings_schema()
        case "stock":
            from meterlink.settings import stock_schema  # noqa: PLC0415

            return stock_schema()
        case "plan":
            from meterlink.plans import plan_schema  # noqa: PLC0415

            return plan_schema()
        case "readings":
            from meterlink.cli.judge.readings_file import readings_schema  # noqa: PLC0415

            return readings_schema()
        case "replacements":
            from meterlink.cli.judge.replacement_table import replacements_schema  # noqa: PLC0415

            return replacements_schema()
        case _:
            from meterlink.profiles import profile_schema  # noqa: PLC0415

            return profile_schema()

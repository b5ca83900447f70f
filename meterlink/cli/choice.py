"""A choice on the command line that answers a misspelt word with the nearest one."""

import click

from meterlink.core.text import did_you_mean


class NamedChoice(click.Choice[str]):
    """A choice between words."""

    def get_invalid_choice_message(self, value: object, ctx: click.Context | None) -> str:
        """Return the error for a word that is none of the choices."""
        remedy = did_you_mean(str(value), self.choices)
        message: str = super().get_invalid_choice_message(value, ctx)
        return f"{message} {remedy}".rstrip()

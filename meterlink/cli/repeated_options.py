"""An option with one value that is given twice: click would keep the last value and say nothing of the others."""

from collections import Counter
from collections.abc import Sequence

import click


def check_no_repeated_option(command: click.Command, args: Sequence[str]) -> None:
    """Check that no option of ``command`` or of its subcommands is given twice, but for those that take several values.

    A flag that is repeated means the same. An error of other kinds is left to the run itself.

    Raises:
        click.UsageError: an option is given twice; the message names it.
    """
    context = click.Context(command, info_name="meterlink", **command.context_settings)
    rest = list(args)
    while True:
        try:
            _, rest, order = command.make_parser(context).parse_args(rest)
        except click.UsageError:
            return
        times = Counter(param for param in order if isinstance(param, click.Option) and _has_one_value(param))
        for option, count in times.items():
            if count > 1:
                raise click.UsageError(f"{option.opts[0]} is given {count} times: give it once.", context)
        following = command.get_command(context, rest[0]) if isinstance(command, click.Group) and rest else None
        if following is None:
            return
        context = click.Context(following, parent=context, info_name=rest[0], **following.context_settings)
        command, rest = following, rest[1:]


def _has_one_value(option: click.Option) -> bool:
    return not (option.multiple or option.is_flag or option.count)

"""``meterlink watch``: the dashboard from the command line. Textual is loaded only when it runs."""

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from meterlink.core.key_actions import Keys

_SIZE = "80x24"
_SVG_START = b"<svg"
_LONGEST_PATH = 4096  # characters; no system allows more


def _parse_size(_context: click.Context, _option: click.Parameter, size: str) -> tuple[int, int]:
    width, _, height = size.partition("x")
    # Below 20x10 nothing is readable; 400x200 is larger than any terminal.
    if width.isdecimal() and height.isdecimal() and 20 <= int(width) <= 400 and 10 <= int(height) <= 200:
        return int(width), int(height)
    raise click.BadParameter(f"{size!r} is not columns x rows from 20x10 to 400x200. Write it as {_SIZE}.")


@click.command("watch")
@click.option("--data", type=click.Path(file_okay=False, path_type=Path), help="The station's data folder.")
@click.option("--light", is_flag=True, help="Dark letters on a light screen, for bright sun.")
@click.option(
    "--picture", type=click.Path(dir_okay=False, path_type=Path), help="Write the screen to this SVG file and exit."
)
@click.option("--size", default=_SIZE, show_default=True, callback=_parse_size, help="Columns x rows of the picture.")
@click.option(
    "--sound",
    type=click.Choice(("bell", "speech", "off")),
    default="bell",
    show_default=True,
    help="Announce readings by bells of the terminal, or by espeak-ng of this machine.",
)
def command(data: Path | None, light: bool, picture: Path | None, size: tuple[int, int], sound: str) -> None:  # noqa: FBT001  # click passes flags by name
    """Open the dashboard: the reading, its limits, the verdict and the next step.

    \b
        meterlink watch
        meterlink watch --sound speech
        meterlink watch --picture screen.svg --size 110x34

    Connects to the station's daemon. If none runs, starts one until the dashboard closes, and again if it dies.
    """
    from meterlink.settings import data_dir, load_settings  # noqa: PLC0415  # --help loads none of this
    from meterlink_tui.terminal import check_terminal  # noqa: PLC0415

    if picture is None:
        check_terminal()
    else:
        _check_picture(picture)
    folder = data_dir(data)
    asyncio.run(_watch(folder, load_settings(folder).keys, light, picture, size, sound))


def _check_picture(picture: Path) -> None:
    """Check that the picture overwrites at most an older picture.

    Raises:
        InputError: the file has other contents, or cannot be read.
    """
    from meterlink.core.errors import InputError  # noqa: PLC0415  # --help loads none of this
    from meterlink.core.text import clean_text  # noqa: PLC0415

    name, remedy = clean_text(str(picture), _LONGEST_PATH), "Give another file to --picture."
    try:
        if not picture.exists():
            return
        with picture.open("rb") as file:
            head = file.read(len(_SVG_START))
    except (OSError, ValueError) as error:
        raise InputError(f"{name} cannot be written: {error}.", remedy) from error
    is_new = head == b"" and picture.suffix.lower() == ".svg"  # of an empty file only the name says what it is for
    if head != _SVG_START and not is_new:
        raise InputError(f"{name} exists, and is no picture that may be overwritten.", remedy)


async def _watch(
    folder: Path,
    keys: "Keys",
    light: bool,  # noqa: FBT001  # handed on from click
    picture: Path | None,
    size: tuple[int, int],
    sound: str,
) -> None:
    from meterlink.link.daemon import ensure_daemon  # noqa: PLC0415  # --help loads none of this
    from meterlink.settings import DATABASE_FILE  # noqa: PLC0415

    async with ensure_daemon(folder) as daemon:
        if picture is None:
            from meterlink_tui.app import run_dashboard  # noqa: PLC0415
            from meterlink_tui.sound.announcer import SoundMode  # noqa: PLC0415

            await run_dashboard(
                daemon.connect, light=light, keys=keys, database=folder / DATABASE_FILE, sound=SoundMode(sound)
            )
        else:
            from meterlink_tui.picture import take_picture  # noqa: PLC0415

            svg = await take_picture(daemon.connect, *size, light=light, keys=keys)
            await asyncio.to_thread(picture.write_text, svg, encoding="utf-8")

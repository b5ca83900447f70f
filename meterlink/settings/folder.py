"""The data folder of a station, and the names of the files in it."""

import os
import shlex
from pathlib import Path

from meterlink.core.errors import SettingsError
from meterlink.core.permissions import PRIVATE_FOLDER
from meterlink.settings.private_files import make_private

DATABASE_FILE = "meterlink.db"
SETTINGS_FILE = "settings.toml"
STOCK_FILE = "stock.toml"
DATA_FOLDER_VARIABLE = "METERLINK_DATA"


def data_dir(option: str | os.PathLike[str] | None = None) -> Path:
    """Return the absolute path of the data folder; create the folder if it is missing, and keep other accounts out.

    The folder is ``option``, else ``$METERLINK_DATA``, else the platform's folder for such data.

    Raises:
        SettingsError: the folder cannot be created, or it or a file in it belongs to another account.
    """
    folder = _named_dir(option)
    try:
        folder.mkdir(mode=PRIVATE_FOLDER, parents=True, exist_ok=True)
        make_private(folder)
    except OSError as error:
        raise SettingsError(
            f"The data folder {folder} cannot be created or read: {error.strerror}.", "Give another with --data DIR."
        ) from error
    return folder


def existing_data_dir(option: str | os.PathLike[str] | None = None) -> Path:
    """Return the data folder as `data_dir` does, but never create it: for commands that only read.

    Raises:
        SettingsError: there is no such folder.
    """
    folder = _named_dir(option)
    if not folder.is_dir():
        raise SettingsError(
            f"There is no data folder {folder}.",
            f"Check the name. This command makes it: meterlink run --data {shlex.quote(str(folder))}",
        )
    return folder


def _named_dir(option: str | os.PathLike[str] | None) -> Path:
    name = option or os.environ.get(DATA_FOLDER_VARIABLE)
    if name:
        return Path(name).expanduser().absolute()
    from platformdirs import user_data_path  # noqa: PLC0415  # only where no folder is given

    return user_data_path("meterlink", appauthor=False).absolute()

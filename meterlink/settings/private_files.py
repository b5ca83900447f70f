"""Files that are one account's alone: the data folder and the files in it, passwords and keys.

Permission bits are POSIX's. Where a platform has none (Windows), the folder's own rights are the wall, and nothing is
checked here.
"""

import logging
import os
import shlex
import stat
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from meterlink.core.errors import SettingsError
from meterlink.core.permissions import FOR_OTHERS

log = logging.getLogger(__name__)

_ADMINISTRATOR = 0
# A file of the administrator's may be given to a group, that of the station: everybody else is kept out.
_EVERYBODY = 0o007
_OUR_FOLDERS = {"profiles", "reports", "plans", "photos", "captures", "backups"}  # ours, or a technician's
# The prefixes and names of the files that Meterlink itself writes in a data folder, or that its documents name there.
_OUR_FILES = (
    "meterlink.db", "settings.toml", "stock.toml", "station.key", "station.sock", "station.link", "mqtt-identifier",
)  # fmt: skip


def make_private(folder: Path) -> None:
    """Take the data folder and our files in it from other accounts; log that they could open them, if they could.

    The folder of another program keeps its permissions (it is known by its other sub-folders, or by the sticky bit of
    `/tmp`): our files in it are mended, and the log of the daemon asks for a folder of our own.

    Raises:
        SettingsError: the folder or one of our files belongs to another account.
    """
    if not hasattr(os, "getuid"):
        return
    _refuse_other_owner(folder)
    is_ours = _is_ours(folder)
    files = [path for path in _our_files(folder) if not path.is_symlink()]
    for path in files:
        _refuse_other_owner(path)
    mended = [path for path in (*((folder,) if is_ours else ()), *files) if _mend(path)]
    if mended:
        names = ", ".join("the folder itself" if path == folder else path.name for path in mended)
        log.warning("Other accounts of this machine could open files in %s: %s. They cannot any more.", folder, names)
    if not is_ours and folder.stat().st_mode & FOR_OTHERS:
        # No warning: every command would repeat it.
        log.info("Other accounts may look into %s, where others keep files, too: use a folder of its own.", folder)


def _is_ours(folder: Path) -> bool:
    with os.scandir(folder) as entries:
        others = [entry for entry in entries if entry.is_dir(follow_symlinks=False) and entry.name not in _OUR_FOLDERS]
    return not others and not folder.stat().st_mode & stat.S_ISVTX


def _our_files(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.iterdir()):
        if path.name.startswith(_OUR_FILES):
            yield path
        elif path.name in _OUR_FOLDERS and path.is_dir() and not path.is_symlink():
            yield path
            yield from sorted(path.iterdir())


def _refuse_other_owner(path: Path) -> None:
    owner = path.lstat().st_uid
    if owner not in {os.getuid(), _ADMINISTRATOR}:  # who may have written the settings of a service
        raise SettingsError(
            f"{path} belongs to another account (number {owner}).",
            f"Run the command as that account, or name a folder of your own: --data DIR. If it is yours: "
            f"sudo chown -R {os.getuid()} {shlex.quote(str(path))}",
        )


def _mend(path: Path) -> bool:
    """Take the bits of group and others from a file; return whether it had any."""
    with suppress(OSError):  # it is gone, or the disk cannot be written
        mode = path.lstat().st_mode
        if mode & FOR_OTHERS and not stat.S_ISLNK(mode):
            path.chmod(stat.S_IMODE(mode) & ~FOR_OTHERS)
            return True
    return False


def check_secret(path: Path, name: str) -> None:
    """Check that no other account can read a password or a private key; ``name`` is its setting: mqtt.password_file.

    A missing file passes: the reader says so. So does a credential that systemd hands on (`$CREDENTIALS_DIRECTORY`,
    systemd.exec(5)): its folder is closed, and the bits of its group are those of an access list.

    Raises:
        SettingsError: another account can read it, or owns it.
    """
    if not hasattr(os, "getuid") or _is_credential(path):
        return
    try:
        status = path.stat()
    except OSError:
        return
    if status.st_uid not in {os.getuid(), _ADMINISTRATOR}:
        raise SettingsError(
            f"{name} {path} belongs to another account (number {status.st_uid}), which can change it.",
            f"sudo chown {os.getuid()} {shlex.quote(str(path))}",
        )
    is_administrators = status.st_uid == _ADMINISTRATOR != os.getuid()
    if status.st_mode & (_EVERYBODY if is_administrators else FOR_OTHERS):
        raise SettingsError(
            f"{name} {path} can be read by other accounts of this machine (mode {stat.S_IMODE(status.st_mode):03o}).",
            f"Close it: chmod 600 {shlex.quote(str(path))} - and change the secret if somebody else uses this machine.",
        )


def _is_credential(path: Path) -> bool:
    folder = os.environ.get("CREDENTIALS_DIRECTORY", "")
    return bool(folder) and path.parent == Path(folder)

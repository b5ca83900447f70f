"""``meterlink service``: the daemon as a service of systemd."""

import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import click

from meterlink.cli.lazy_group import CommandGroup
from meterlink.cli.output import print_text
from meterlink.cli.service.units import MARK, Installation, system_installation, user_installation
from meterlink.core.errors import InputError
from meterlink.settings import data_dir

_SYSTEMCTL_TIMEOUT = 60.0  # s; a daemon that stops needs up to 18

user_option = click.option(
    "--user", "is_user", is_flag=True, help="A service of your own account, on your data folder; needs no rights."
)
root_option = click.option(
    "--root",
    type=click.Path(file_okay=False, path_type=Path),
    help="Write below this folder, for an image of a machine; nothing is started.",
)


@click.group(cls=CommandGroup)
def command() -> None:
    """Install the daemon as a service of systemd: it starts with the machine, and again after a fault."""


@command.command("install")
@user_option
@click.option(
    "--mqtt-password",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The broker's password, which systemd hands to the daemon alone; settings.toml names it mqtt-password.",
)
@root_option
def install(*, is_user: bool, mqtt_password: Path | None, root: Path | None) -> None:
    """Write the unit of the daemon. The commands that start it are printed.

    \b
        sudo meterlink service install
        sudo meterlink service install --mqtt-password /etc/mqtt-password
        meterlink service install --user

    Without --user the daemon has an account of its own, meterlink, and keeps its data in /var/lib/meterlink. It may
    write nowhere else. Run commands as that account: sudo -u meterlink meterlink status --data /var/lib/meterlink
    \f

    Raises:
        InputError: this machine has no systemd, a file cannot be written, or the program lies where the account of the
            service cannot read it.
    """
    installation = _installation(is_user=is_user, mqtt_password=mqtt_password)
    for name, text in installation.files.items():
        _write(_below(root, name), text)
        print_text(f"Written: {_below(root, name)}")
    if root is not None:
        return
    for step in installation.after_writing:
        if not _run(step):
            print_text(f"Run this when systemd runs: {' '.join(step)}")
    for sentence in installation.next_steps:
        print_text(sentence)


@command.command("remove")
@user_option
@root_option
def remove(*, is_user: bool, root: Path | None) -> None:
    """End the service. The data folder and the account stay.

    \b
        sudo meterlink service remove
        meterlink service remove --user
    \f

    Raises:
        InputError: the unit was not written by this command, or cannot be removed.
    """
    installation = _installation(is_user=is_user, mqtt_password=None)
    unit = _below(root, installation.unit)
    if not unit.exists():
        raise InputError(f"There is no {unit}.", "The service is not installed, or another program installed it.")
    _require_own(unit)
    if root is None:
        _run([*installation.systemctl, "disable", "--now", "meterlink"])
    try:
        unit.unlink()
    except OSError as error:
        raise InputError(f"{unit} cannot be removed: {error.strerror}.", "Run it with sudo.") from error
    if root is None:
        _run([*installation.systemctl, "daemon-reload"])
    print_text(f"Removed: {unit}")


def _installation(*, is_user: bool, mqtt_password: Path | None) -> Installation:
    if not sys.platform.startswith("linux"):
        raise InputError("This platform has no systemd.", "Run `meterlink run` by the platform's own means.")
    if is_user:
        if mqtt_password is not None:
            raise click.UsageError("--user has no --mqtt-password: keep the file in your data folder, with mode 600.")
        return user_installation(_program(), data_dir())
    return system_installation(_program(), mqtt_password)


def _program() -> Path:
    """Return the program that a shell would run, or the one of this interpreter.

    Raises:
        InputError: there is none: this is a checkout that was never installed.
    """
    beside = Path(sys.executable).with_name("meterlink")
    found = str(beside) if beside.exists() else shutil.which("meterlink")
    if found is None:
        raise InputError("There is no program `meterlink`.", "Install Meterlink first, for example with pipx.")
    return Path(found).absolute()


def _below(root: Path | None, name: Path) -> Path:
    return name if root is None else root / name.relative_to("/")


def _write(path: Path, text: str) -> None:
    if path.exists():
        _require_own(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        path.chmod(0o644)
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror}.", "Run it with sudo, or use --user.") from error


def _require_own(path: Path) -> None:
    """Do nothing if this command wrote the file.

    Raises:
        InputError: somebody else did, or it cannot be read.
    """
    try:
        text = path.read_text(encoding="utf-8", errors="replace")
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}.", "Run it with sudo.") from error
    if not text.startswith(MARK):
        raise InputError(f"{path} was written by somebody else.", "Move it away first.")


def _run(step: Sequence[str]) -> bool:
    """Run a command of systemd; return whether it succeeded."""
    try:
        done = subprocess.run(step, capture_output=True, check=False, timeout=_SYSTEMCTL_TIMEOUT)  # noqa: S603  # our own
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.returncode == 0

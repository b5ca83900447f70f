"""The files of the service: its units and its account, from the texts beside this module."""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from meterlink.core.errors import InputError
from meterlink.tomlfile.files import read_package_text

MARK = "# Written by `meterlink service install`"
"""The beginning of every file of the service."""

_PACKAGE = "meterlink.cli.service"
_SYSTEM_UNIT = Path("/etc/systemd/system/meterlink.service")
_ACCOUNT = Path("/etc/sysusers.d/meterlink.conf")
# Some distributions let only this group speak to the Bluetooth service.
_BLUETOOTH_GROUP = "bluetooth"
# The daemon cannot look into these: ProtectHome hides them.
_HIDDEN = (Path("/home"), Path("/root"), Path("/run/user"))


@dataclass(frozen=True, slots=True)
class Installation:
    """The files of a service, the commands after writing them, and the sentences for the person who installs it."""

    unit: Path
    files: Mapping[Path, str]
    systemctl: tuple[str, ...]
    after_writing: tuple[tuple[str, ...], ...]
    next_steps: tuple[str, ...]


def system_installation(program: Path, mqtt_password: Path | None) -> Installation:
    """Return the service of the machine; ``mqtt_password`` is the file of the broker's password.

    Raises:
        InputError: the program lies where the daemon cannot read it, or a path has a character that a unit cannot have.
    """
    real = program.resolve()
    if any(real.is_relative_to(folder) or program.is_relative_to(folder) for folder in _HIDDEN):
        raise InputError(
            f"{program} lies in a home folder, which the service cannot read.",
            "Install Meterlink for every account, for example in /opt/meterlink, or use --user.",
        )
    if mqtt_password is not None and not mqtt_password.is_absolute():
        mqtt_password = mqtt_password.absolute()
    credential = "" if mqtt_password is None else f"LoadCredential=mqtt-password:{_in_unit(mqtt_password)}"
    text = (
        read_package_text(_PACKAGE, "system.service")
        .replace("{program}", _in_unit(program))
        .replace("{groups}", f"SupplementaryGroups={_BLUETOOTH_GROUP}\n" if _has_group(_BLUETOOTH_GROUP) else "")
        .replace("{credentials}\n", f"{credential}\n" if credential else "")
    )
    return Installation(
        _SYSTEM_UNIT,
        {_ACCOUNT: read_package_text(_PACKAGE, "sysusers.conf"), _SYSTEM_UNIT: text},
        ("systemctl",),
        (("systemd-sysusers", str(_ACCOUNT)), ("systemctl", "daemon-reload")),
        (
            "Start it now and with the machine: sudo systemctl enable --now meterlink",
            "Its settings: /var/lib/meterlink/settings.toml; its log: journalctl -u meterlink",
        ),
    )


def user_installation(program: Path, folder: Path) -> Installation:
    """Return the service of the present account, on its data ``folder``.

    Raises:
        InputError: a path has a character that a unit cannot have.
    """
    home = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config").absolute()
    unit = home / "systemd" / "user" / "meterlink.service"
    text = (
        read_package_text(_PACKAGE, "user.service")
        .replace("{program}", _in_unit(program))
        .replace("{folder}", _in_unit(folder))
    )
    systemctl = ("systemctl", "--user")
    return Installation(
        unit,
        {unit: text},
        systemctl,
        ((*systemctl, "daemon-reload"),),
        (
            "Start it now and when you log in: systemctl --user enable --now meterlink",
            "Let it run while you are logged out, too: loginctl enable-linger",
        ),
    )


def _in_unit(path: Path) -> str:
    """Return a path as an argument in a unit: quoted, with % doubled (systemd.unit(5), systemd.service(5)).

    Raises:
        InputError: it has a character that cannot be written there.
    """
    text = str(path)
    if not text.isprintable() or any(char in text for char in "\"'\\$"):
        raise InputError(f"{text!r} cannot be written in a unit.", "Use a folder without quotes, dollars, backslashes.")
    escaped = text.replace("%", "%%")
    return f'"{escaped}"' if " " in escaped else escaped


def _has_group(name: str) -> bool:
    import grp  # noqa: PLC0415  # Windows has none

    try:
        grp.getgrnam(name)
    except KeyError:
        return False
    return True

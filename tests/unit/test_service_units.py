"""The units of systemd: complete, understood by systemd's own reader, and hardened as far as the documents say."""

import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from meterlink.cli import service
from meterlink.cli.service.units import MARK, system_installation, user_installation
from meterlink.core.errors import InputError
from support.commands import run_command
from support.tools import skip_without_tool

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="systemd")
ANALYZE = shutil.which("systemd-analyze")
PAGE = Path(service.__file__).parents[2] / "docs" / "service.md"
TRUE = Path("/bin/true")  # systemd-analyze wants a program that exists


def texts() -> dict[str, str]:
    system, user = (
        system_installation(TRUE, Path("/etc/meterlink/mqtt-password")),
        user_installation(TRUE, Path("/srv/m")),
    )
    return {"system": system.files[system.unit], "user": user.files[user.unit]}


@pytest.mark.parametrize("kind", ["system", "user"])
def test_systemd_understands_the_unit(kind: str, tmp_path: Path) -> None:
    if ANALYZE is None:
        skip_without_tool("systemd-analyze")
    unit = tmp_path / "meterlink.service"
    unit.write_text(texts()[kind], encoding="utf-8")
    done = subprocess.run([ANALYZE, "verify", unit], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    # The check can fail: an unknown key is named.
    unit.write_text(texts()[kind].replace("NoNewPrivileges", "NoNewPrivilege"), encoding="utf-8")
    done = subprocess.run([ANALYZE, "verify", unit], capture_output=True, text=True, check=False)
    assert "NoNewPrivilege" in done.stderr


def exposure(text: str, folder: Path) -> float:
    """Return the exposure level that systemd-analyze gives a unit: 0 (walled in) to 10."""
    if ANALYZE is None:
        skip_without_tool("systemd-analyze")
    unit = folder / "meterlink.service"
    unit.write_text(text, encoding="utf-8")
    done = subprocess.run(
        [ANALYZE, "security", "--offline=yes", "--no-pager", unit], capture_output=True, text=True, check=False
    )
    found = re.search(r"exposure level for meterlink.service: ([0-9.]+)", done.stdout)
    assert found, done.stderr
    return float(found[1])


def test_the_exposure_is_that_of_the_document(tmp_path: Path) -> None:
    documented = re.search(r"\*\*([0-9.]+)\*\* of 10", PAGE.read_text(encoding="utf-8"))
    assert documented
    text = texts()["system"]
    assert exposure(text, tmp_path) <= float(documented[1])
    open_unit = text.replace("ProtectSystem=strict\n", "").replace("NoNewPrivileges=yes\n", "")
    assert exposure(open_unit, tmp_path) > float(documented[1])


def test_the_system_unit_keeps_the_password_from_settings_and_environment() -> None:
    text = texts()["system"]
    assert "\nLoadCredential=mqtt-password:/etc/meterlink/mqtt-password\n" in text
    assert "Environment" not in text
    without = system_installation(TRUE, None)
    assert "LoadCredential" not in without.files[without.unit]


@pytest.mark.parametrize("kind", ["system", "user"])
def test_no_place_in_a_unit_is_left_open(kind: str) -> None:
    assert "{" not in texts()[kind]
    assert texts()[kind].startswith(MARK)
    for line in ("Type=notify", "WatchdogSec=60", "RestartPreventExitStatus=2", "Restart=on-failure", "UMask=0077"):
        assert f"\n{line}\n" in texts()[kind]


def test_a_program_in_a_home_folder_is_refused() -> None:
    for program in ("/home/kit/.venv/bin/meterlink", "/root/venv/bin/meterlink"):
        with pytest.raises(InputError, match="home folder"):
            system_installation(Path(program), None)


def test_names_that_a_unit_must_not_take_for_its_own() -> None:
    unit = user_installation(Path("/opt/my 50 %/meterlink"), Path("/data/van 3"))
    assert '\nExecStart="/opt/my 50 %%/meterlink" run --data "/data/van 3"\n' in unit.files[unit.unit]
    for name in ('/data/"x', "/data/$HOME", "/data/a\nExecStartPre=/bin/false", "/data/a\\x20b"):
        with pytest.raises(InputError, match="cannot be written in a unit"):
            user_installation(TRUE, Path(name))


# The command


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[list[str]]:
    """The commands of systemd that would have been run."""
    run: list[list[str]] = []

    def note(step: Sequence[str]) -> bool:
        run.append(list(step))
        return True

    monkeypatch.setattr(service, "_run", note)
    monkeypatch.setattr(service, "_program", lambda: Path("/opt/meterlink/bin/meterlink"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path / "data"))
    return run


def test_a_user_service_is_installed_and_removed(steps: list[list[str]], tmp_path: Path) -> None:
    unit = tmp_path / "config" / "systemd" / "user" / "meterlink.service"
    status, out, err = run_command("service", "install", "--user")
    assert (status, err) == (0, "")
    assert "systemctl --user enable --now meterlink" in out
    assert f"run --data {tmp_path / 'data'}" in unit.read_text()
    assert unit.stat().st_mode & 0o777 == 0o644
    assert steps == [["systemctl", "--user", "daemon-reload"]]
    assert run_command("service", "install", "--user").status == 0, "once more, after an update"
    steps.clear()
    assert run_command("service", "remove", "--user").status == 0
    assert not unit.exists()
    assert (tmp_path / "data").is_dir(), "the record stays"
    assert steps[0] == ["systemctl", "--user", "disable", "--now", "meterlink"]
    status, out, err = run_command("service", "remove", "--user")
    assert (status, out) == (2, "")
    assert "is not installed" in err


def test_an_image_gets_the_unit_and_the_account(steps: list[list[str]], tmp_path: Path) -> None:
    status, _, err = run_command("service", "install", "--root", str(tmp_path / "image"))
    assert (status, err) == (0, "")
    assert "User=meterlink" in (tmp_path / "image/etc/systemd/system/meterlink.service").read_text()
    assert "\nu meterlink - " in (tmp_path / "image/etc/sysusers.d/meterlink.conf").read_text()
    assert steps == []


def test_the_file_of_somebody_else_is_left_alone(steps: list[list[str]], tmp_path: Path) -> None:
    unit = tmp_path / "image/etc/systemd/system/meterlink.service"
    unit.parent.mkdir(parents=True)
    unit.write_text("[Service]\nExecStart=/bin/mine\n")
    for command in ("install", "remove"):
        status, _, err = run_command("service", command, "--root", str(tmp_path / "image"))
        assert status == 2
        assert "was written by somebody else" in err
    assert unit.read_text() == "[Service]\nExecStart=/bin/mine\n"


def test_without_systemd_the_remaining_step_is_named(
    steps: list[list[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(service, "_run", lambda _: False)
    status, out, err = run_command("service", "install", "--user")
    assert (status, err) == (0, "")
    assert "Run this when systemd runs: systemctl --user daemon-reload" in out


def test_a_user_service_has_no_credential(steps: list[list[str]]) -> None:
    status, _, err = run_command("service", "install", "--user", "--mqtt-password", "pw")
    assert status == 2
    assert "mode 600" in err

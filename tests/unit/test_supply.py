"""The list of dependencies with hashes, and the audit that never passes without data."""

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from support.supply import hashed_requirements, read_audit

ROOT = Path(__file__).parents[2]
DIGEST = "0" * 64


def entry(name: str, *, direct: bool = False, digest: str = DIGEST) -> dict[str, Any]:
    return {
        "metadata": {"name": name, "version": "1.2"},
        "is_direct": direct,
        "download_info": {"url": "https://index.example/x.whl", "archive_info": {"hashes": {"sha256": digest}}},
    }


def test_each_dependency_has_its_version_and_its_hash_and_no_address() -> None:
    lines = hashed_requirements(
        {"version": "1", "install": [entry("zeta"), entry("Alpha"), entry("meterlink", direct=True)]}
    )
    assert lines == [f"Alpha==1.2 --hash=sha256:{DIGEST}", f"zeta==1.2 --hash=sha256:{DIGEST}"]
    assert "://" not in "".join(lines)


@pytest.mark.parametrize("report", [{"version": "2"}, {"version": "1", "install": [entry("zeta", digest="")]}])
def test_a_report_that_cannot_be_relied_on_is_an_error(report: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"is not known|has no SHA-256"):
        hashed_requirements(report)


CLEAN = {"name": "alpha", "version": "1.2", "vulns": []}
FOUND = {"name": "beta", "version": "1.2", "vulns": [{"id": "EXAMPLE-1", "fix_versions": ["1.3"], "aliases": []}]}
UNKNOWN = {"name": "gamma", "skip_reason": "not found"}
SUMMARY = """\
skipped: the data on vulnerabilities of 1 of 3 dependencies cannot be had
audited: 2 dependencies, 1 known vulnerabilities
beta 1.2: EXAMPLE-1, fixed in 1.3
"""


@pytest.mark.parametrize(
    ("dependencies", "status", "output"),
    [
        ([CLEAN], 0, "audited: 1 dependencies, 0 known vulnerabilities\n"),
        ([UNKNOWN], 0, "skipped: the data on vulnerabilities of 1 of 1 dependencies cannot be had\n"),
        (
            [CLEAN, UNKNOWN, FOUND], 1,
            SUMMARY,
        ),
    ],
)  # fmt: skip
def test_a_vulnerability_fails_and_missing_data_is_said(
    tmp_path: Path, dependencies: list[dict[str, Any]], status: int, output: str
) -> None:
    (tmp_path / "audit.json").write_text(json.dumps({"dependencies": dependencies}))
    command = [sys.executable, str(ROOT / "tests/support/supply.py"), "audit", str(tmp_path / "audit.json")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (status, output)
    assert read_audit({"dependencies": dependencies}).audited == sum("vulns" in found for found in dependencies)


def test_ci_runs_it_and_nothing_of_it_names_an_index() -> None:
    assert re.search(r"^\s+bash \.ci/supply ", (ROOT / ".ci/run").read_text(encoding="utf-8"), re.MULTILINE)
    for file in (".ci/supply", ".ci/run", "pyproject.toml"):
        assert not re.search(r"index-url|://[a-z.]*pypi", (ROOT / file).read_text(encoding="utf-8")), file

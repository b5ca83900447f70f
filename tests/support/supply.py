"""The dependencies that CI has installed: their hashes, and the summary of their audit.

    pip install --report report.json WHEEL
    python tests/support/supply.py requirements report.json >requirements.txt
    pip install --require-hashes --no-deps -r requirements.txt

The report's form is that of pip's documentation, Installation Report, version 1. The hashes are those of the files for
this platform and this Python. The output has no address of an index: pip's own configuration names it.

    pip-audit --format json --output audit.json -r names.txt
    python tests/support/supply.py audit audit.json
"""

import json
import sys
from pathlib import Path
from typing import Any, NamedTuple


def hashed_requirements(report: dict[str, Any]) -> list[str]:
    """Return a line of a requirements file for each distribution that comes from an index; sorted.

    Raises:
        ValueError: the report has another version, or a file has no SHA-256.
    """
    if report.get("version") != "1":
        raise ValueError(f"a report of version {report.get('version')!r} is not known")
    lines = []
    for entry in report["install"]:
        if entry["is_direct"]:  # this project itself
            continue
        name, version = entry["metadata"]["name"], entry["metadata"]["version"]
        digest = entry["download_info"].get("archive_info", {}).get("hashes", {}).get("sha256")
        if not digest:
            raise ValueError(f"{name} {version} has no SHA-256")
        lines.append(f"{name}=={version} --hash=sha256:{digest}")
    return sorted(lines, key=str.casefold)


class Audit(NamedTuple):
    """``vulnerable``: a line each; ``unknown``: distributions without data; ``audited``: the number of the others."""

    vulnerable: list[str]
    unknown: list[str]
    audited: int


def read_audit(audit: dict[str, Any]) -> Audit:
    """Return the findings of pip-audit's JSON. A distribution without data is never one without vulnerabilities."""
    vulnerable, unknown, audited = [], [], 0
    for entry in audit["dependencies"]:
        if "skip_reason" in entry:
            unknown.append(entry["name"])
            continue
        audited += 1
        for found in entry["vulns"]:
            fixed = ", ".join(found["fix_versions"]) or "no version yet"
            vulnerable.append(f"{entry['name']} {entry['version']}: {found['id']}, fixed in {fixed}")
    return Audit(vulnerable, unknown, audited)


def _print_audit(audit: Audit) -> int:
    if audit.unknown:
        share = f"{len(audit.unknown)} of {len(audit.unknown) + audit.audited}"
        print(f"skipped: the data on vulnerabilities of {share} dependencies cannot be had")
    if audit.audited:
        print(f"audited: {audit.audited} dependencies, {len(audit.vulnerable)} known vulnerabilities")
    print("\n".join(audit.vulnerable), end="\n" if audit.vulnerable else "")
    return 1 if audit.vulnerable else 0


if __name__ == "__main__":
    contents = json.loads(Path(sys.argv[2]).read_text(encoding="utf-8"))
    if sys.argv[1] == "audit":
        sys.exit(_print_audit(read_audit(contents)))
    print("\n".join(hashed_requirements(contents)))

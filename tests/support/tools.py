"""Programs that some tests need and that a machine may lack."""

import os
from typing import NoReturn

import pytest


def skip_without_tool(tool: str) -> NoReturn:
    """Skip the test; in CI, where every tool is installed, fail it."""
    if os.environ.get("CI"):
        pytest.fail(f"{tool} is not installed")
    pytest.skip(f"{tool} is not installed")

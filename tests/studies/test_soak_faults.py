"""Soak of the whole daemon with random faults: nothing that was acknowledged is lost, and nothing is left behind."""

import sys
from pathlib import Path

import pytest

from studies.soak.comparison import leaks, problems, rows
from studies.soak.run import run_soak
from support.mosquitto_broker import MOSQUITTO
from support.tools import skip_without_tool

SEED = 1  # that of `.ci/long`


@pytest.mark.skipif(sys.platform != "linux", reason="it reads /proc and mounts a disk")
@pytest.mark.study(everyday=0, sample=2, full=200)  # kills
async def test_no_fault_loses_anything_that_was_acknowledged(
    tmp_path: Path, study_size: int, capsys: pytest.CaptureFixture[str]
) -> None:
    if MOSQUITTO is None:
        skip_without_tool("mosquitto")
    outcome = await run_soak(tmp_path, study_size, SEED)
    with capsys.disabled():
        print("", outcome.report, sep="\n")  # noqa: T201  # the table is the result of this study
    assert problems(rows(outcome.evidence)) == []
    assert leaks(outcome.early, outcome.late, outcome.fresh) == []
    assert outcome.own_ends == []

"""Marks of the tests in the guest."""

import pytest

# Left out of the everyday subset; `--study-size full` runs it.
WHOLE = pytest.mark.study(everyday=0, sample=0, full=1)

"""Excludes this package from Meterlink's own test run: its driver is not installed there.

`tests/system/test_example_driver.py` builds and installs it in an environment of its own and runs its tests there.
"""

collect_ignore = ["tests"]

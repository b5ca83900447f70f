"""The operating system's errors, by cause."""

import errno
from pathlib import Path

import pytest

from meterlink.core.errors import DatabaseAccessError, DiskFullError, StoreError
from meterlink.store.file_errors import has_no_space, store_error_class


@pytest.mark.fault("write-refused")
@pytest.mark.parametrize(
    ("number", "expected"),
    [
        (errno.ENOSPC, DiskFullError),
        (errno.EDQUOT, DiskFullError),
        (errno.EACCES, DatabaseAccessError),
        (errno.EPERM, DatabaseAccessError),
        (errno.EROFS, DatabaseAccessError),
        (errno.ENAMETOOLONG, StoreError),
        (None, StoreError),
    ],
)
def test_the_class_names_the_cause(number: int | None, expected: type[StoreError]) -> None:
    error = OSError() if number is None else OSError(number, "text")
    assert store_error_class(error) is expected


def test_a_folder_that_is_gone_is_on_no_full_disk(tmp_path: Path) -> None:
    assert not has_no_space(tmp_path / "gone" / "meterlink.db")
    assert not has_no_space(tmp_path / "meterlink.db")  # the other tests need space there, too

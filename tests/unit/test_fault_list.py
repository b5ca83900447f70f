"""Every fault of the list has a test that injects it, and every mark names a fault of the list."""

from support.fault_list import FAULTS
from support.fault_marks import marked_tests

# Few faults can be out of reach of any test.
MOST_NOT_TESTED = 3

ALL = [fault for part in FAULTS.values() for fault in part]


def test_every_fault_has_a_test_and_every_mark_a_fault() -> None:
    keys = [fault.key for fault in ALL]
    assert len(set(keys)) == len(keys)
    assert sorted({key for key, _ in marked_tests()}) == sorted(fault.key for fault in ALL if not fault.not_tested)
    assert sum(fault.not_tested != "" for fault in ALL) <= MOST_NOT_TESTED


def test_every_fault_is_told_in_sentences() -> None:
    for fault in ALL:
        for text in (fault.symptom, fault.cause, fault.handling):
            assert text.endswith("."), fault.key
            assert "|" not in text, fault.key  # it ends a cell of the table

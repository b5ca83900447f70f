"""When the figures of teaching's progress go backwards."""

from meterlink.teach import TeachProgress


def is_backwards(now: TeachProgress, before: TeachProgress) -> bool:
    """Return whether fewer entries count than before, or more are needed while the end is not reached."""
    return now.entered < before.entered or (now.needed > before.needed and now.missing > 0)

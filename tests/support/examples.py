"""The number of examples of a property test: as many times more in a larger set as any other property has."""

from hypothesis import settings

_EVERYDAY = 100  # Hypothesis draws as many unless told otherwise, and so does the everyday set


def examples(everyday: int) -> settings:
    """Return settings with ``everyday`` examples in the everyday set and proportionally more in the others."""
    profile = settings.default
    assert profile is not None
    return settings(max_examples=everyday * profile.max_examples // _EVERYDAY)

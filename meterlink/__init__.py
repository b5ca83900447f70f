"""Meterlink: readings of meters, collected, judged and stored."""

from typing import Final

VERSION: Final = "0.1.0"

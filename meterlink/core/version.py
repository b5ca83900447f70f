"""The version of this program."""

from typing import Final

VERSION: Final = "0.1.0"

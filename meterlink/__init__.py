"""Meterlink: what a reading is, what a verdict is, how both are collected and kept."""

from typing import Final

VERSION: Final = "0.1.0"

"""The types of bleak's backends, for modules that pass a backend on without importing bleak."""

from bleak.backends.client import BaseBleakClient
from bleak.backends.scanner import BaseBleakScanner

ScannerBackend = type[BaseBleakScanner]
ClientBackend = type[BaseBleakClient]

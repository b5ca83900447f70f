"""The types of bleak's exchangeable halves, for whoever passes them on without importing bleak."""

from bleak.backends.client import BaseBleakClient
from bleak.backends.scanner import BaseBleakScanner

ScannerBackend = type[BaseBleakScanner]
ClientBackend = type[BaseBleakClient]

"""Tests on a real BlueZ, in a guest: see README.md."""

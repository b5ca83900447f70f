"""TOML files with the position of every table, key and item."""

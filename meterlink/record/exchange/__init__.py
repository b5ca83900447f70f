"""Readings in open formats, out and in: CSV, JSON Lines, SenML in JSON and CBOR, Parquet."""

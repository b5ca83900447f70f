"""Schema and migrations, the one writer, read-only queries: the only importer of sqlite3 and sqlite_utils."""

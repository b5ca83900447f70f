"""The permission bits (POSIX's) of files of one account alone."""

FOR_OTHERS = 0o077
"""The bits of group and others: a private file has none of them, and a umask of these makes each new file private."""
PRIVATE_FILE = 0o600
PRIVATE_FOLDER = 0o700

"""The subcommands: one module each, with a click command named ``command``, imported only when it runs."""

"""One module a subcommand, each with a click command named ``command``; imported only when asked for."""

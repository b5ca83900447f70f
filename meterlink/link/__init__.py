"""The local socket between a station and its watchers: messages, server, client, starting a daemon."""

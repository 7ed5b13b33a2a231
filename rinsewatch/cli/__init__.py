"""The command line: one file per command, and the only place where rooms are put together."""

"""The command line: one file per command; the only place that builds drivers, session and screen."""

"""One live rinse: meter -> logbook -> core -> frozen snapshot."""

"""The SQLite logbook and the CSV recording."""

"""The core: washout, what a reading says, forecast, reading quality, endpoint. Pure: no I/O, no clock."""

"""Resin life: from service runs and rinses to capacity, trend, forecast and findings. Pure: no SQL, files or clock."""

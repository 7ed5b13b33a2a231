"""Bytes to readings. Knows nothing of rinses."""

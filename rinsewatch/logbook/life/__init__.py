"""Resin life: from service runs and rinses to capacity, trend, forecast and findings. Pure: no SQL, files or clock.

In: ``records.History``. Out: ``life.resin_life(history) -> ResinLife``, all frozen dataclasses with plain sentences.
"""

"""For all tests: on a CI machine the property tests draw the same examples each time.

A new counterexample should turn up at someone's desk, not in a run that judges an unrelated change.
"""

from __future__ import annotations

import os

from hypothesis import settings

settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")

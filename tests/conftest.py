"""What every test runs under."""
from __future__ import annotations

import os

import hypothesis

# A fault of the program itself shows its traceback here instead of a plain line
os.environ["STRIPE_OR_GRAIN_TRACEBACK"] = "1"

hypothesis.settings.register_profile("project", derandomize=True, deadline=None, database=None)
hypothesis.settings.load_profile("project")

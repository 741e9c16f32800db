"""What every test runs under."""
from __future__ import annotations

import atexit
import os
import shutil
import tempfile

import hypothesis

# A fault of the program itself shows its traceback here instead of a plain line
os.environ["STRIPE_OR_GRAIN_TRACEBACK"] = "1"

# The logbook of the person who runs the tests stays untouched
os.environ["STRIPE_OR_GRAIN_DATA"] = tempfile.mkdtemp(prefix="stripe-or-grain-tests-")
atexit.register(shutil.rmtree, os.environ["STRIPE_OR_GRAIN_DATA"], ignore_errors=True)

hypothesis.settings.register_profile("project", derandomize=True, deadline=None, database=None)
hypothesis.settings.load_profile("project")

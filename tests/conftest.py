"""What holds for every test: generated inputs are judged by what they show, not by how long they took.

They are the same in every run, so that a check that passes here passes elsewhere; `make laws` draws others, and
five times as many.
"""

from __future__ import annotations

import os

from hypothesis import settings

settings.register_profile("giornata", deadline=None, print_blob=True, derandomize=True, max_examples=60)
settings.register_profile("laws", deadline=None, print_blob=True, max_examples=300)
settings.load_profile(os.environ.get("GIORNATA_LAWS", "giornata"))

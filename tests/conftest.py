"""What holds for every test: generated inputs are judged by what they show, not by how long they took."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("giornata", deadline=None, print_blob=True)
settings.load_profile("giornata")

"""The real reader of GPIO stop inputs on a made-up chip whose one line follows a file: 1 is closed, all else open.

``python -m tests.session.chipreader SETTINGS.json``; the file is ``fence`` in the state folder's parent.
"""

from __future__ import annotations

import sys
import threading
import time
from pathlib import Path

from tests.fakes.gpiod_module import FakeChips

CHIP, LINE = "/dev/gpiochip9", 17
LOOK_S = 0.005

if __name__ == "__main__":
    contact = Path(sys.argv[-1]).parents[2] / "fence"

    def is_closed() -> bool:
        return contact.read_text() == "1"

    chips = FakeChips({(CHIP, LINE): is_closed()})
    sys.modules["gpiod"] = chips.module

    def follow() -> None:
        """The contact's wire."""
        while True:
            if (level := is_closed()) is not chips.levels[CHIP, LINE]:
                chips.set((CHIP, LINE), level=level)
            time.sleep(LOOK_S)

    threading.Thread(target=follow, daemon=True).start()
    from drivers.inputs.__main__ import main

    sys.exit(main(sys.argv[1:]))

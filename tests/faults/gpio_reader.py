"""The real reader of GPIO stop inputs on a chip that is made up: any line on stdin opens the loop.

``python -m tests.faults.gpio_reader SETTINGS.json``.
"""

from __future__ import annotations

import sys
import threading

from tests.fakes.gpiod_module import FakeChips

CHIP, LINE = "/dev/gpiochip9", 17

if __name__ == "__main__":
    chips = FakeChips({(CHIP, LINE): True})
    sys.modules["gpiod"] = chips.module

    def hands() -> None:
        """A person opens the fence."""
        for _ in sys.stdin:
            chips.set((CHIP, LINE), level=False)

    threading.Thread(target=hands, daemon=True).start()
    from drivers.inputs.__main__ import main

    sys.exit(main(sys.argv[1:]))

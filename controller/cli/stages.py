"""Work in stages as a terminal shows it: one bar that tells the stage, and lines beside it. No logic."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from controller.cli.console import err, progress

Show = Callable[[str, str, float], None]
"""Called with what is in work, its stage, and the fraction done of it."""


@contextmanager
def stages(first: str, *, quiet: bool) -> Iterator[Show]:
    """A bar that begins with ``first``, for as long as the block runs; silent when ``quiet`` or not a terminal."""
    with progress(quiet=quiet) as bar:
        task = bar.add_task(first, total=1.0)

        def show(what: str, stage: str, fraction: float) -> None:
            bar.update(task, description=f"{what} {stage}".strip(), completed=fraction)

        yield show


def noted(*, quiet: bool) -> Callable[[str], None]:
    """What takes a line of the work for whoever waits: to standard error, as it is; nowhere when ``quiet``."""

    def note(text: str) -> None:
        if not quiet:
            from rich.text import Text

            err().print(Text(text), soft_wrap=True)

    return note

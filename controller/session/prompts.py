"""Questions to a person that stand until somebody answers: on the terminal of this session, or over the socket.

Owns the standing question and its number. One stands at a time, since one verb runs at a time. An answer counts once
and for that number only: a late answer to an earlier question moves nothing.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable, Sequence
from typing import Any, Final

from controller.session.operator import Operator
from controller.session.prepared import PreparedPass
from controller.session.wire import Message, WireError

PROMPT_CODES: Final = {"pen": "ask-pen", "confirm": "ask-confirm", "pause": "ask-pause", "steer": "ask-mark"}
"""By the kind of a question: the catalogue's entry that says what it asks for."""

Accept = Callable[[Any], Any]
"""What an answer over the socket means. Raises WireError for one that means nothing; the question stands on then."""


def yes_or_no(value: Any) -> bool:
    """An answer to most questions."""
    if not isinstance(value, bool):
        raise WireError('"value" true or false', repr(value))
    return value


def one_of(choices: Sequence[str]) -> Accept:
    """An answer that is one of these words."""

    def accept(value: Any) -> str:
        if not isinstance(value, str) or value not in choices:
            raise WireError(f'"value" one of {", ".join(choices)}', repr(value))
        return value

    return accept


class Prompts:
    """The standing question. ``tell`` gets the events ``prompt`` and ``answered``."""

    def __init__(self, tell: Callable[[Message], None]) -> None:
        self._tell = tell
        self._number = 0
        self._standing: Message | None = None
        self._answer: asyncio.Future[Any] | None = None
        self._accept: Accept = yes_or_no
        self._said: Any = None

    @property
    def standing(self) -> Message | None:
        """The question that stands, as its event."""
        return self._standing

    def answer(self, number: int, value: Any) -> None:
        """Answer question ``number``. Raises WireError when another stands, or none, and for no answer to it."""
        if self._standing is None or self._answer is None or self._answer.done():
            raise WireError("a prompt that stands", "none stands")
        if number != self._number:
            raise WireError(f'"prompt": {self._number}', f'"prompt": {number}')
        self._answer.set_result(self._accept(value))
        self._said = value

    async def ask(
        self, question: Message, here: Callable[[], Awaitable[Any]] | None = None, accept: Accept = yes_or_no
    ) -> Any:
        """Ask and wait for the first answer: over the socket, or by ``here``. Raises what ``here`` raises."""
        self._number += 1
        number = self._number
        code = PROMPT_CODES[question["kind"]]
        self._standing = {"event": "prompt", "prompt": number, "code": code, **question}
        self._answer, self._accept = asyncio.get_running_loop().create_future(), accept
        self._said = None
        self._tell(self._standing)
        local = asyncio.ensure_future(here()) if here is not None else None
        value: Any = None
        try:
            await asyncio.wait(
                {self._answer, local} if local is not None else {self._answer},
                return_when=asyncio.FIRST_COMPLETED,
            )
            value = self._answer.result() if self._answer.done() or local is None else local.result()
            return value
        finally:
            self._standing = None
            self._answer.cancel()
            if local is not None:
                local.cancel()
                await asyncio.wait({local})
            self._tell(
                {
                    "event": "answered",
                    "prompt": number,
                    "value": said(value if self._said is None else self._said),
                }
            )


def said(value: Any) -> bool | str:
    """An answer as the event tells it: as it came, objects as JSON; False where nobody has answered."""
    return (
        value if isinstance(value, bool | str) else False if value is None else json.dumps(value, default=str)
    )


class AskedOperator:
    """An operator whose questions stand on the socket as well. ``here``: who is asked in this process, or nobody."""

    def __init__(self, prompts: Prompts, here: Operator | None) -> None:
        self._prompts = prompts
        self._here = here

    async def load_pen(self, part: PreparedPass, number: int, count: int) -> bool:
        """Ask for the pen."""
        here = self._here
        question = {"kind": "pen", "pass": part.model_dump(mode="json"), "number": number, "count": count}
        return bool(
            await self._prompts.ask(
                question, None if here is None else lambda: here.load_pen(part, number, count)
            )
        )

    async def confirm(self, question: str) -> bool:
        """Ask yes or no."""
        here = self._here
        return bool(
            await self._prompts.ask(
                {"kind": "confirm", "question": question},
                None if here is None else lambda: here.confirm(question),
            )
        )

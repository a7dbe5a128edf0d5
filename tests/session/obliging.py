"""A host for tests of the socket: agrees to every stop, keeps what it is asked, and ends a verb when told."""

from __future__ import annotations

from controller.config.errors import RefusedError
from controller.session.followers import Follower, Followers
from controller.session.wire import Message, Request, WireError


class Obliging:
    """See above. ``busy``: refuse verbs."""

    def __init__(self) -> None:
        self.followers = Followers(lambda: 0, lambda: 0)
        self.asked: list[Request] = []
        self.running: list[Follower] = []
        self.busy = False

    def answer(self, request: Request) -> Message:
        """As a session that runs answers."""
        self.asked.append(request)
        match request.ask:
            case "status":
                return {"state": "painting"}
            case "answer":
                raise WireError("a prompt that stands", "none stands")
        return {"stopping": True, "kind": request.kind or "none given"}

    def run(self, request: Request, follower: Follower) -> None:
        """Keep the queue; the test ends it."""
        if self.busy:
            raise RefusedError(
                "giornata home runs on this machine", "wait for its end", code="session-running"
            )
        self.asked.append(request)
        self.running.append(follower)

    def snapshot(self) -> Message:
        """Little."""
        return {"following": True, "state": "painting"}

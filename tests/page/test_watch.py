"""Who looks on, how many may, and that nothing is asked of anybody while nobody does."""

from __future__ import annotations

import asyncio
import contextlib

import pytest

from controller.page.board import Link
from controller.page.watch import FullError, Watch
from controller.session.control import ControlServer

from .conftest import Scene, Told
from .test_talk import Beat, until


async def test_nobody_is_asked_while_nobody_looks_on(scene: Scene) -> None:
    """No talk before the first browser, none after the last: the service has no connection of ours then."""
    told = Told()
    server = ControlServer(scene.state.control_socket, told)
    await server.open()
    scene.begin()
    beat = Beat()
    watch = Watch(scene.state, "boathouse", now_ns=lambda: beat.now_ns, sleep=beat.sleep)
    task = asyncio.create_task(watch.run())
    await beat.go(5)
    assert told.followers.count == 0
    with watch.viewer():
        await until(lambda: watch.board.link(beat.now_ns) is Link.LIVE)
        await until(lambda: watch.board.whole()["key"] is not None)
        assert told.followers.count == 1
        with watch.viewer():
            await beat.go(3)
            assert told.followers.count == 1
    await asyncio.sleep(0)

    async def passes() -> None:
        while told.followers.count:
            await beat.go()
            await asyncio.sleep(0.001)

    await asyncio.wait_for(passes(), 20)
    await until(lambda: watch.board.link(beat.now_ns) is Link.ASKING)
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    await server.close()


async def test_so_many_may_look_on(scene: Scene) -> None:
    """One more is refused, and has its place when somebody has left."""
    watch = Watch(scene.state, "boathouse", viewers_max=2)
    with watch.viewer(), contextlib.ExitStack() as second:
        second.enter_context(watch.viewer())
        with pytest.raises(FullError), watch.viewer():
            pass
        second.close()
        with watch.viewer():
            assert watch.viewers == 2

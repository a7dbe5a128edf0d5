"""``giornata page``: the live page of one machine, for a browser. No logic."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

import typer

from controller.cli.console import StateOption, out
from controller.cli.options import MachineOption

PORT: Final = 8463
LIBRARIES: Final = ("starlette", "uvicorn")
REMEDY: Final = "install them: pip install 'giornata[page]'"


def page(
    machine: MachineOption,
    host: Annotated[
        str, typer.Option("--host", help="Address to listen on; beyond this computer only with a token.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0: any that is free.")] = PORT,
    token_file: Annotated[
        Path | None,
        typer.Option(
            "--token-file", metavar="FILE", help="Ask browsers for the token in this file (mode 600)."
        ),
    ] = None,
    new_token: Annotated[
        bool, typer.Option("--new-token", help="Make a token for this run, and print it once.")
    ] = False,
    name: Annotated[
        list[str] | None,
        typer.Option(
            "--name", metavar="HOST", help="A host name by which browsers ask for it, beside addresses."
        ),
    ] = None,
    state: StateOption = None,
) -> None:
    """Show a machine live in a browser, with one button that stops it. Moves nothing; ends with Ctrl-C."""
    from importlib.util import find_spec

    from controller.config.errors import InputError, Mistake, RefusedError
    from controller.config.load import load_machine

    missing = [one for one in LIBRARIES if find_spec(one) is None]
    if missing:
        raise RefusedError(
            f"the live page needs {' and '.join(missing)}, which is not installed",
            REMEDY,
            code="page-libraries",
        )
    from controller.page import access
    from controller.page.serve import listen, run, url_of

    load_machine(machine)
    local = access.is_local(host)
    if token_file is not None and new_token:
        raise InputError(
            [Mistake(Path("page"), "--token-file", "it or --new-token", "both", code="page-token-twice")]
        )
    if not local and token_file is None and not new_token:
        expected = "--token-file or --new-token with an address beyond this computer"
        raise InputError([Mistake(Path("page"), "--host", expected, host, code="page-token-missing")])
    token = (
        access.read_token(token_file) if token_file is not None else access.new_token() if new_token else None
    )
    names = frozenset(one.lower() for one in name or ())
    given = access.Access(local, token, names)
    with listen(host, port) as line:
        address = url_of(line, host)

        def say() -> None:
            out().print(f"live page: {address}", soft_wrap=True)
            if new_token:
                out().print(f"open it once by {address}enter?token={token}", soft_wrap=True)
            elif token is not None:
                out().print(f"it asks for the token in {token_file}", soft_wrap=True)
            if not local:
                words = f"it listens at {host}: what goes over a network can be read there; a tunnel (ssh -L) is better"
                out().print(words, soft_wrap=True)

        run(machine, state, line, given, say)

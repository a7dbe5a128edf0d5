"""Who may look and who may press: the token and its cookie, the names that the page answers to, a request's origin.

Owns these judgements. Pure but for reading the token's file. Knows no web framework: headers come as plain text.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import os
import re
import secrets
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from controller.config.errors import InputError, Mistake

COOKIE: Final = "giornata-page-"
"""What the cookie's name begins with."""
TOKEN_MIN: Final = 20
"""So many characters a token must have: with letters and digits beyond any guessing over a network."""
TOKEN_MAX: Final = 512
TOKEN_BYTES: Final = 24
_HOST: Final = re.compile(r"(?P<name>\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+)(?::[0-9]{1,5})?")
_TOKEN: Final = re.compile(r"[!-~]+")


@dataclass(frozen=True, slots=True)
class Access:
    """Whom one page serves.

    is_local: it listens on this computer only. token: what a browser must have shown once, None without. names: host
    names by which it may be asked for, beside addresses. press: what a press of the button must carry; it is in pages
    that we have served, and a page from elsewhere cannot read them.
    """

    is_local: bool
    token: str | None = None
    names: frozenset[str] = frozenset()
    press: str = field(default_factory=lambda: secrets.token_urlsafe(TOKEN_BYTES))

    def answers_to(self, host: str) -> bool:
        """Whether a Host header names us (RFC 9110, section 7.2).

        A name that somebody else's DNS points at this address is refused, whatever it points at; so no page from
        elsewhere becomes one of ours. An address cannot be rebound. The port is not looked at: a tunnel has its own.
        """
        found = _HOST.fullmatch(host)
        if found is None:
            return False
        name = found["name"].lower().rstrip(".")
        if name == "localhost" or name in self.names:
            return True
        try:
            address = ipaddress.ip_address(name.strip("[]"))
        except ValueError:
            return False
        return address.is_loopback or not self.is_local

    def knows(self, cookies: str) -> bool:
        """Whether a Cookie header (RFC 6265) has ours; always where no token is asked for."""
        if self.token is None:
            return True
        said = dict(one.strip().partition("=")[::2] for one in cookies.split(";"))
        return same(said.get(self.cookie_name, ""), self.cookie)

    def opens(self, token: str) -> bool:
        """Whether this is the token; compared in a time that tells nothing."""
        return self.token is not None and same(token, self.token)

    @property
    def cookie_name(self) -> str:
        """The cookie's name: follows from the token too. Browsers keep one cookie of a name for all ports of a host
        (RFC 6265, section 8.5), so that pages of two machines would take each other's place."""
        return COOKIE + self._digest(b"giornata live page, name")[:16]

    @property
    def cookie(self) -> str:
        """The cookie's value: follows from the token, which itself stays out of the browser's store."""
        return self._digest(b"giornata live page")

    def _digest(self, purpose: bytes) -> str:
        return hmac.new((self.token or "").encode(), purpose, hashlib.sha256).hexdigest()

    def may_press(self, headers: Mapping[str, str], press: str) -> str:
        """Why a press is refused; empty when it is taken. ``headers``: by names in small letters.

        A press must come from a page of ours: by what the browser says of its origin (RFC 6454; Fetch Metadata where
        it is said), and by carrying the word that only our pages have.
        """
        origin, host = headers.get("origin", ""), headers.get("host", "")
        if origin not in (f"http://{host}", f"https://{host}"):
            return f"it came from {origin[:100] or 'nowhere that was named'}, not from this page"
        if headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return "the browser says that another site sent it"
        if not same(press, self.press):
            return "it carries no word of this page, or that of an earlier one: load the page again"
        return ""


def same(one: str, other: str) -> bool:
    """Whether two texts are equal, in a time that does not depend on where they differ."""
    return hmac.compare_digest(one.encode(), other.encode())


def new_token() -> str:
    """A token that nobody has had before."""
    return secrets.token_urlsafe(TOKEN_BYTES)


def read_token(path: Path) -> str:
    """The token in a file that nobody else may read. Raises InputError."""

    def wrong(expected: str, got: str) -> InputError:
        return InputError([Mistake(path, "token file", expected, got, code="page-token-file")])

    try:
        with path.open("rb") as file:
            about = os.fstat(file.fileno())
            text = file.read(TOKEN_MAX + 2)
    except OSError as error:
        raise wrong("a file with the token", error.strerror or str(error)) from None
    if not stat.S_ISREG(about.st_mode) or about.st_uid not in (os.getuid(), 0):
        raise wrong("a plain file of your own", "something else")
    if about.st_mode & 0o077:
        raise wrong("a file that only you may read (chmod 600)", f"mode {stat.S_IMODE(about.st_mode):04o}")
    token = text.decode("latin-1").strip()
    if not TOKEN_MIN <= len(token) <= TOKEN_MAX or not _TOKEN.fullmatch(token):
        raise wrong(
            f"one word of {TOKEN_MIN} to {TOKEN_MAX} printable characters", f"{len(token)} characters"
        )
    return token


def is_local(host: str) -> bool:
    """Whether an address to listen on is this computer's own only."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"

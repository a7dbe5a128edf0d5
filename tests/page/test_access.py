"""Who may look and who may press."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.config.errors import InputError
from controller.page import access
from controller.page.access import Access, new_token, read_token

HERE = Access(is_local=True)
WIDE = Access(is_local=False, token="t" * 24, names=frozenset({"wall.example"}))


@pytest.mark.parametrize(
    ("host", "here", "wide"),
    [
        ("127.0.0.1:8463", True, True),
        ("127.0.0.1", True, True),
        ("localhost:9000", True, True),
        ("LOCALHOST", True, True),
        ("[::1]:8463", True, True),
        ("192.0.2.7:8463", False, True),
        ("[2001:db8::7]:8463", False, True),
        ("wall.example:8463", False, True),
        ("wall.example.", False, True),
        ("elsewhere.example", False, False),
        ("127.0.0.1.elsewhere.example", False, False),
        ("localhost.elsewhere.example", False, False),
        ("127.0.0.1@elsewhere.example", False, False),
        ("127.0.0.1:8463/x", False, False),
        ("127.0.0.1:999999", False, False),
        ("[::1", False, False),
        ("0x7f.1", False, False),
        ("", False, False),
    ],
)
def test_names_that_the_page_answers_to(host: str, here: bool, wide: bool) -> None:
    """Addresses, localhost and names that were given; a name that somebody's DNS points here is none of them.

    RFC 9110, section 7.2: a server that does not check Host may be made to answer for another. Addresses and names are
    those that RFC 5737, RFC 3849 and RFC 2606 keep for examples.
    """
    assert HERE.answers_to(host) is here
    assert WIDE.answers_to(host) is wide


def test_cookie() -> None:
    """Only the cookie that follows from the token opens; the token itself as a cookie does not."""
    assert HERE.knows("")
    name = WIDE.cookie_name
    assert WIDE.knows(f"other=1; {name}={WIDE.cookie}")
    other = Access(is_local=False, token="u" * 24)
    for cookies in (
        "",
        f"{name}=",
        f"{name}={WIDE.token}",
        f"{name}={other.cookie}",
        f"{other.cookie_name}={WIDE.cookie}",
        f"x{name}={WIDE.cookie}",
    ):
        assert not WIDE.knows(cookies)
    assert WIDE.opens("t" * 24)
    assert not WIDE.opens("")
    assert not HERE.opens("")
    # Not ASCII, as a URL may bring it.
    assert not WIDE.opens("t\u00e9")


def test_pages_of_one_host_keep_their_own_cookies() -> None:
    """A browser keeps one cookie of a name for a host, whatever the port (RFC 6265, sections 5.3 and 8.5): with pages
    of two machines open in it both know it still."""
    pages = [Access(is_local=False, token=letter * 24) for letter in "tu"]
    jar = {page.cookie_name: page.cookie for page in pages}
    cookies = "; ".join(f"{name}={value}" for name, value in jar.items())
    assert all(page.knows(cookies) for page in pages)
    # A token (RFC 9110, section 5.6.2), and no word of the page's token.
    for page in pages:
        assert page.cookie_name.replace("-", "").isalnum()
        assert page.cookie[:16] not in page.cookie_name


def test_a_press_comes_from_a_page_of_ours() -> None:
    """Origin, what the browser says of the site, and the word of our own page: each alone refuses."""
    good = {"host": "127.0.0.1:8463", "origin": "http://127.0.0.1:8463", "sec-fetch-site": "same-origin"}
    assert HERE.may_press(good, HERE.press) == ""
    assert HERE.may_press({key: good[key] for key in ("host", "origin")}, HERE.press) == ""
    bad: list[tuple[dict[str, str], str]] = [
        ({}, HERE.press),
        ({"host": "127.0.0.1:8463"}, HERE.press),
        ({**good, "origin": "null"}, HERE.press),
        ({**good, "origin": "http://elsewhere.example"}, HERE.press),
        ({**good, "origin": "http://127.0.0.1:9999"}, HERE.press),
        ({**good, "sec-fetch-site": "cross-site"}, HERE.press),
        ({**good, "sec-fetch-site": "same-site"}, HERE.press),
        (good, ""),
        (good, WIDE.press),
    ]
    for headers, press in bad:
        assert HERE.may_press(headers, press) != ""


def test_token_file(tmp_path: Path) -> None:
    """A file of mode 600 with one long word is taken; everything else is refused and says what was expected."""
    path = tmp_path / "token"
    token = new_token()
    assert len(token) >= access.TOKEN_MIN
    path.write_text(token + "\n")
    path.chmod(0o600)
    assert read_token(path) == token
    for mode in (0o640, 0o604, 0o644, 0o660):
        path.chmod(mode)
        with pytest.raises(InputError, match="chmod 600"):
            read_token(path)
    path.chmod(0o600)
    for text in ("", "short", "two words of a sufficient length", "t" * 600, "caf\u00e9" * 8):
        path.write_text(text)
        with pytest.raises(InputError, match="token file"):
            read_token(path)
    with pytest.raises(InputError, match="No such file"):
        read_token(tmp_path / "none")
    with pytest.raises(InputError, match="token file"):
        read_token(tmp_path)


def test_what_is_local() -> None:
    """Loopback addresses (RFC 6890) and localhost; every other address asks for a token."""
    assert [access.is_local(one) for one in ("127.0.0.1", "127.3.2.1", "::1", "localhost")] == [True] * 4
    assert not any(map(access.is_local, ("0.0.0.0", "::", "192.0.2.7", "wall.example", "")))

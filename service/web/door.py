"""What a request may do: which addresses are answered, who is asking, and what goes out with every answer."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlsplit

from trimkeep.config.errors import SettingsError
from trimkeep.config.serve import ServeSettings
from trimkeep.service.web.accounts import Account, AccountBook
from trimkeep.service.web.passwords import token_fits
from trimkeep.service.web.sessions import Session, SessionBook

LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "[::1]"})
BEARER = "bearer "
# Pages draw with styles of their own and with nothing else; a form may be sent to this service only.
POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Cache-Control": "private, no-cache",
}


@dataclass(frozen=True, slots=True)
class Address:
    """Where the service is reached.

    `host` is what the Host header must name, empty for loopback under any of its names; `base` the path
    in front of every page, empty or `/something`; `secure` whether browsers reach it by https.
    """

    host: str
    base: str
    secure: bool
    open_reading: bool


def address_of(settings: ServeSettings) -> Address:
    """Where the service is reached, from the settings.

    Raises
    ------
    SettingsError
        Passwords would go over a network in the clear, pages would be open to a network, or `public_url`
        is no address.
    """
    loopback = is_loopback(settings.host)
    if not settings.public_url:
        if not loopback:
            raise _wrong(
                "host",
                f"{settings.host} can be reached from a network, and passwords would cross it in the clear",
                "Set serve.public_url to the https address of a proxy, or serve.host to 127.0.0.1",
            )
        return Address("", "", False, settings.reading_without_login)
    if settings.reading_without_login:
        raise _wrong(
            "reading_without_login",
            "is only for loopback, and with serve.public_url the pages can be reached from elsewhere",
            "Set it to false, and give each reader an account: trimkeep account add",
        )
    try:
        parts = urlsplit(settings.public_url)
        port = parts.port
    except ValueError as error:
        raise _no_address(settings.public_url) from error
    plain_loopback = parts.scheme == "http" and loopback and is_loopback(parts.hostname or "")
    if not parts.hostname or parts.query or parts.fragment or parts.username is not None:
        raise _no_address(settings.public_url)
    if parts.scheme != "https" and not plain_loopback:
        raise _wrong(
            "public_url",
            f"{settings.public_url} is not https, and passwords would cross a network in the clear",
            "Have the proxy speak https",
        )
    named = f"[{parts.hostname}]" if ":" in parts.hostname else parts.hostname
    host = named if port is None else f"{named}:{port}"
    return Address(host, parts.path.rstrip("/"), parts.scheme == "https", False)


def _no_address(url: str) -> SettingsError:
    return _wrong("public_url", f"{url!r} is no address", "Write it as https://pages.example.org/fleet")


def _wrong(name: str, what: str, then: str) -> SettingsError:
    return SettingsError(what, subject=f"serve.{name}", next_step=then)


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach a listener at that address."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def is_host_known(address: Address, host: str) -> bool:
    """Whether a Host header names this service: another site's name can be made to lead to this machine."""
    given = host.strip().lower()
    if address.host:
        return given in (address.host, f"{address.host}:{443 if address.secure else 80}")
    name, separator, port = given.rpartition(":")
    if not separator or given.endswith("]"):
        name, port = given, ""
    return name in LOOPBACK_NAMES and (not port or (port.isascii() and port.isdigit()))


def comes_from_elsewhere(address: Address, fetch_site: str, origin: str) -> bool:
    """Whether a browser says that a form was sent from another site's page."""
    if fetch_site and fetch_site not in ("same-origin", "none"):
        return True
    # "null" is what a page with our own Referrer-Policy sends; the form's token decides then.
    if not origin or origin == "null":
        return False
    try:
        parts = urlsplit(origin)
    except ValueError:
        return True
    return parts.scheme != ("https" if address.secure else "http") or not is_host_known(address, parts.netloc)


@dataclass(frozen=True, slots=True)
class Asker:
    """Who sends a request; `session` is None for a program with a token."""

    account: Account
    session: Session | None


class Doorkeeper:
    """Finds out who is asking."""

    def __init__(self, book: AccountBook, sessions: SessionBook) -> None:
        self.book = book
        self.sessions = sessions

    def who(self, cookie: str, authorization: str, now: datetime) -> Asker | None:
        """The account behind a request; None for nobody.

        Parameters
        ----------
        cookie : str
            Name of a login, may be empty.
        authorization : str
            The header of that name, may be empty; a token is looked at first.
        now : datetime
            Aware.
        """
        accounts = self.book.all()
        if authorization[: len(BEARER)].lower() == BEARER:
            token = authorization[len(BEARER) :].strip()
            fitting = [one for one in accounts if one.by_token and token_fits(token, one.credential)]
            return Asker(fitting[0], None) if fitting else None
        found = self.sessions.find(cookie, accounts, now) if cookie else None
        return None if found is None else Asker(found[1], found[0])

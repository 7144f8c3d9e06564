"""Whose word is taken for where a request comes from: the proxies that the settings name, and nobody else's.

Logins that fail are counted by address. A caller who could write the address himself would never be counted.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from trimkeep.config.errors import SettingsError
from trimkeep.config.serve import ServeSettings

Network = ipaddress.IPv4Network | ipaddress.IPv6Network
WsgiApp = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]
FORWARDED = "HTTP_X_FORWARDED_FOR"
# What proxies of other habits say of the caller; nothing here reads it, and nothing shall come to.
OTHER_WORDS = (
    "HTTP_X_FORWARDED_PROTO",
    "HTTP_X_FORWARDED_HOST",
    "HTTP_X_FORWARDED_PORT",
    "HTTP_X_FORWARDED_PREFIX",
    "HTTP_FORWARDED",
    "HTTP_X_REAL_IP",
)


def proxies_of(settings: ServeSettings) -> tuple[Network, ...]:
    """The networks of the proxies that are believed.

    Raises
    ------
    SettingsError
        One is neither an address nor a network, or is everybody.
    """
    found = []
    for text in settings.proxies:
        try:
            network = ipaddress.ip_network(text.strip())
        except ValueError as error:
            raise _wrong(
                f"{text!r} is no address and no network", "such as 10.0.0.4 or 10.0.0.0/28"
            ) from error
        if network.prefixlen == 0:
            raise _wrong(f"{text} is everybody", "of your own proxies only")
        found.append(network)
    return tuple(found)


def _wrong(what: str, then: str) -> SettingsError:
    return SettingsError(what, subject="serve.proxies", next_step=f"Give addresses {then}")


def caller(peer: str, forwarded: str, proxies: Sequence[Network]) -> str:
    """The address that a request comes from.

    A proxy adds the address it was called from at the end of the header, so it is read from the end: past the
    proxies that are believed, to the first that is not. What stands before that, anybody may have written.

    Parameters
    ----------
    peer : str
        The address that is connected.
    forwarded : str
        `X-Forwarded-For`; several headers are joined by commas.
    proxies : sequence of network

    Returns
    -------
    str
        `peer` where it is none of the proxies, or where the header says nothing that is an address.

    Examples
    --------
    >>> own = (ipaddress.ip_network("127.0.0.1"),)
    >>> caller("127.0.0.1", "1.2.3.4, 203.0.113.7", own), caller("203.0.113.9", "1.2.3.4", own)
    ('203.0.113.7', '203.0.113.9')
    """
    address = _address(peer)
    if address is None or not _is_proxy(address, proxies):
        return peer
    for text in reversed(forwarded.split(",")):
        said = _address(text)
        if said is None:
            break
        address = said
        if not _is_proxy(said, proxies):
            break
    return str(address)


def _is_proxy(address: ipaddress.IPv4Address | ipaddress.IPv6Address, proxies: Sequence[Network]) -> bool:
    return any(address in network for network in proxies)


def _address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """An address as proxies write it: some add the port, in brackets where it is of the longer kind."""
    plain = text.strip().strip('"')
    if plain.startswith("["):
        plain = plain[1:].partition("]")[0]
    elif plain.count(":") == 1:
        plain = plain.partition(":")[0]
    try:
        found = ipaddress.ip_address(plain.partition("%")[0])
    except ValueError:
        return None
    mapped = found.ipv4_mapped if isinstance(found, ipaddress.IPv6Address) else None
    return mapped or found


class ProxyWord:
    """Puts the caller's address in the place of the proxy's, before anything reads it."""

    def __init__(self, inner: WsgiApp, proxies: Sequence[Network]) -> None:
        self.inner = inner
        self.proxies = tuple(proxies)

    def __call__(self, environ: dict[str, Any], start: Callable[..., Any]) -> Iterable[bytes]:
        """Answer one request."""
        said = environ.pop(FORWARDED, "")
        for name in OTHER_WORDS:
            environ.pop(name, None)
        environ["REMOTE_ADDR"] = caller(environ.get("REMOTE_ADDR", ""), said, self.proxies)
        return self.inner(environ, start)

"""Settings of the pages served over HTTP: where they are answered, and to whom.

Passwords are never settings: accounts lie in a file of their own in the state folder.
"""

from __future__ import annotations

from dataclasses import dataclass

from trimkeep.config.fields import setting


@dataclass(frozen=True, slots=True)
class ServeSettings:
    """Where `trimkeep serve` listens, how long a login lasts, and what is open without one."""

    host: str = setting(
        "127.0.0.1",
        "Address to listen at; one that is not this machine's own loopback needs public_url with https.",
    )
    port: int = setting(8420, "Port to listen at; 0 takes a free one.", low=0, high=65535)
    public_url: str = setting(
        "",
        "Address under which a proxy shows the pages, such as https://pages.example.org/fleet; empty "
        "means no proxy. The proxy must hand on Host, the whole path, and X-Forwarded-For.",
    )
    proxies: tuple[str, ...] = setting(
        ("127.0.0.1", "::1"),
        "Addresses, or networks such as 10.0.0.0/28, of the proxies whose word for the caller's address is "
        "taken; what anybody else says in X-Forwarded-For is thrown away. Only with public_url.",
    )
    session_hours: float = setting(
        12.0, "A login ends after this time.", unit="h", low=0.01, high=24.0 * 30.0
    )
    reading_without_login: bool = setting(
        False,
        "Pages may be read without a login; only on loopback and without public_url. Writing always needs "
        "one.",
    )
    refresh_s: float = setting(
        30.0,
        "The store is looked at this often, and pages that show something else by now are written again.",
        unit="s",
        low=0.1,
        high=86400.0,
    )

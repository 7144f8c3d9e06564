"""Where each page behind the digest lies. Names come from `anchor`: letters, digits and dashes only."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from trimkeep.reports.foreign import anchor
from trimkeep.reports.inputs import Links

FOLDER = "pages"
BOARD = "board.html"


def plan_links(findings: Iterable[str], airframes: Iterable[str], flights: Iterable[str]) -> Links:
    """Addresses of pages as seen from a page beside them, by finding, airframe and flight id."""
    return Links(
        findings={name: f"{anchor('finding', name)}.html" for name in findings},
        airframes={name: f"{anchor('airframe', name)}.html" for name in airframes},
        flights={name: f"{anchor('flight', name)}.html" for name in flights},
        board=BOARD,
    )


def links_from_digest(links: Links) -> Links:
    """The same addresses as seen from a digest, which lies one folder above."""
    return Links(
        findings={name: f"{FOLDER}/{address}" for name, address in links.findings.items()},
        airframes={name: f"{FOLDER}/{address}" for name, address in links.airframes.items()},
        flights={name: f"{FOLDER}/{address}" for name, address in links.flights.items()},
        board=None if links.board is None else f"{FOLDER}/{links.board}",
    )


def only(
    links: Links,
    *,
    findings: Collection[str] | None = (),
    airframes: Collection[str] | None = (),
    flights: Collection[str] | None = (),
    board: bool = True,
) -> Links:
    """The links that one page can show, so that a new page elsewhere is no reason to write it again.

    None keeps all of a kind.
    """

    def kept(known: dict[str, str], wanted: Collection[str] | None) -> dict[str, str]:
        if wanted is None:
            return known
        return {name: known[name] for name in sorted(wanted) if name in known}

    return Links(
        findings=kept(dict(links.findings), findings),
        airframes=kept(dict(links.airframes), airframes),
        flights=kept(dict(links.flights), flights),
        board=links.board if board else None,
    )

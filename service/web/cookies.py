"""The two cookies: who is logged in, and, before that, which browser a form was given to."""

from __future__ import annotations

from werkzeug.wrappers import Response

from trimkeep.service.web.site import Site


def login_cookie(site: Site) -> str:
    """Name of the login's cookie; browsers take one of the second kind only over https."""
    return "__Secure-trimkeep" if site.address.secure else "trimkeep"


def form_cookie(site: Site) -> str:
    """Name of the cookie that a form sent without a login is bound to."""
    return f"{login_cookie(site)}-form"


def set_cookie(site: Site, response: Response, name: str, value: str, seconds: int | None) -> None:
    """Give the browser a cookie that no script can read and no other site's page can make it send."""
    response.set_cookie(
        name,
        value,
        max_age=seconds,
        path=site.address.base or "/",
        secure=site.address.secure,
        httponly=True,
        # Strict would ask for a login again after every link in a mail; forms carry a token besides.
        samesite="Lax",
    )


def drop_cookie(site: Site, response: Response, name: str) -> None:
    """Take it back."""
    response.delete_cookie(
        name,
        path=site.address.base or "/",
        secure=site.address.secure,
        httponly=True,
        samesite="Lax",
    )

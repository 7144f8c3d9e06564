"""Logging in and out."""

from __future__ import annotations

import logging
import math
import re
import secrets
import threading
from functools import cache

from flask import Flask, Response, abort, g, redirect, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from trimkeep.reports.compose_forms import Said, compose_account, compose_login, say
from trimkeep.reports.foreign import plain
from trimkeep.reports.form_inputs import FormState
from trimkeep.reports.render import render_form
from trimkeep.service.web.accounts import Account, find_account
from trimkeep.service.web.cookies import drop_cookie, form_cookie, login_cookie, set_cookie
from trimkeep.service.web.passwords import LONGEST, hash_password, password_fits
from trimkeep.service.web.site import Site

log = logging.getLogger(__name__)

# Where a login may lead: a page or a form of ours, never an address that somebody put into a link.
_TARGET = re.compile(r"(?:(?:pages|answer|record)/)?[A-Za-z0-9][A-Za-z0-9-]*(?:\.html)?", re.ASCII)
# Each try takes 32 MB and a good part of a second.
_TRIES_AT_ONCE = threading.BoundedSemaphore(2)


def add(app: Flask, site: Site) -> None:
    """Add the routes of the login."""

    @app.get("/login", endpoint="login")
    def login() -> AnyResponse:
        if g.asker is not None:
            return redirect(_target(), 303)
        return _login_page(site, "", 200)

    @app.post("/login", endpoint="login_sent")
    def login_sent() -> AnyResponse:
        if not site.sessions.is_form_token(
            request.form.get("token", ""), request.cookies.get(form_cookie(site), "")
        ):
            return _login_page(site, say(site.setting(), Said.FORM_STALE), 403)
        name, address = " ".join(request.form.get("name", "").split()), request.remote_addr or ""
        wait = site.throttle.take(name, address, site.clock())
        if wait:
            minutes = math.ceil(wait.total_seconds() / 60.0)
            what = Said.LOGIN_WAIT_ONE if minutes == 1 else Said.LOGIN_WAIT
            said = say(site.setting(), what, minutes=minutes)
            log.warning("a login as %s from %s was not tried: too many before it", plain(name), address)
            answer = _login_page(site, said, 429)
            answer.headers["Retry-After"] = str(math.ceil(wait.total_seconds()))
            return answer
        account = _right(site, name, request.form.get("password", ""))
        if account is None:
            log.warning("a login as %s from %s failed", plain(name), address)
            return _login_page(site, say(site.setting(), Said.LOGIN_WRONG), 401)
        site.throttle.succeeded(name, address)
        log.info("%s logged in from %s", plain(account.name), address)
        response = redirect(_target(), 303)
        session = site.sessions.begin(account, site.clock())
        set_cookie(site, response, login_cookie(site), session, int(site.sessions.length.total_seconds()))
        drop_cookie(site, response, form_cookie(site))
        return response

    @app.get("/account", endpoint="account")
    def account() -> str:
        return _account_page(site, "")

    @app.post("/account", endpoint="log_out")
    def log_out() -> AnyResponse:
        if g.asker.session is None:
            abort(400)
        if not site.sessions.is_form_token(request.form.get("token", ""), g.binding):
            said = say(site.setting(), Said.FORM_STALE)
            return Response(_account_page(site, said), 403, mimetype="text/html")
        site.sessions.end(g.binding)
        response = redirect(url_for("login"), 303)
        drop_cookie(site, response, login_cookie(site))
        # On a machine that others use too, going back must not show what was read.
        response.headers["Clear-Site-Data"] = '"cache"'
        return response


def _target() -> str:
    """Where to go after the login."""
    wanted = request.args.get("to", "")
    return f"{request.script_root}/{wanted}" if _TARGET.fullmatch(wanted) else url_for("home")


def _right(site: Site, name: str, password: str) -> Account | None:
    """The account, if the password is its own. It takes as long for a name that nobody has."""
    account = find_account(site.book.all(), name)
    known = account is not None and not account.by_token
    kept = account.credential if account is not None and known else _nobodys()
    with _TRIES_AT_ONCE:
        fits = password_fits(password[: LONGEST + 1], kept)
    return account if fits and known else None


@cache
def _nobodys() -> str:
    return hash_password(secrets.token_urlsafe(32))


def _login_page(site: Site, problem: str, status: int) -> Response:
    binding = request.cookies.get(form_cookie(site), "") or secrets.token_urlsafe(32)
    given = {"name": request.form.get("name", "")[:100]}
    state = FormState(site.sessions.form_token(binding), given, problem)
    response = Response(render_form(compose_login(site.setting(), state)), status, mimetype="text/html")
    set_cookie(site, response, form_cookie(site), binding, None)
    return response


def _account_page(site: Site, problem: str) -> str:
    account = g.asker.account
    state = FormState(site.sessions.form_token(g.binding), {}, problem, url_for("home"))
    return render_form(compose_account(site.setting(), state, account.name, str(account.role)))

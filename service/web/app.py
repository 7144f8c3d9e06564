"""The web application: every request passes the same door before it reaches a page or a form."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from typing import Any

from flask import Flask, Response, g, redirect, request, url_for
from werkzeug.exceptions import HTTPException, MethodNotAllowed

from trimkeep.config.errors import StoreBusy
from trimkeep.reports.compose_forms import compose_notice
from trimkeep.reports.render import render_notice
from trimkeep.service.web import form_routes, login_routes, page_routes
from trimkeep.service.web.cookies import login_cookie
from trimkeep.service.web.door import HEADERS, comes_from_elsewhere, is_host_known
from trimkeep.service.web.proxies import ProxyWord, proxies_of
from trimkeep.service.web.site import Site

log = logging.getLogger(__name__)

# The longest form is a note and a dozen short fields.
LARGEST_BODY = 64 * 1024
MOST_FIELDS = 50
OPEN_TO_ALL = frozenset({"login", "login_sent"})
FOR_READERS = frozenset({"home", "page", "digest"})
# Headers of proxies: with one of them between, "only this machine" is not true.
PROXY_HEADERS = ("X-Forwarded-For", "Forwarded", "X-Real-Ip", "Via")
NOTICE_OF = {400: "bad_request", 403: "not_allowed", 404: "not_found", 405: "bad_request", 413: "too_large"}

WsgiApp = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]


def make_app(site: Site) -> Flask:
    """The application for one fleet; it starts no thread and opens no port."""
    # Told where it is: it would look for the folder of its package, which is mapped. It keeps nothing there.
    place = str(site.fleet.state)
    app = Flask(__name__, static_folder=None, template_folder=None, root_path=place, instance_path=place)
    app.config.update(
        MAX_CONTENT_LENGTH=LARGEST_BODY, MAX_FORM_MEMORY_SIZE=LARGEST_BODY, MAX_FORM_PARTS=MOST_FIELDS
    )
    app.before_request(lambda: _door(site))
    app.after_request(_with_headers)
    app.register_error_handler(HTTPException, lambda error: _http_error(site, error))
    app.register_error_handler(StoreBusy, lambda error: _busy(site, error))
    app.register_error_handler(Exception, lambda error: _fault(site, error))
    page_routes.add(app, site)
    login_routes.add(app, site)
    form_routes.add(app, site)
    proxies = proxies_of(site.fleet.settings.serve)
    if site.address.base:
        app.wsgi_app = _below(app.wsgi_app, site.address.base)  # type: ignore[method-assign, assignment]
    if site.fleet.settings.serve.public_url:
        app.wsgi_app = ProxyWord(app.wsgi_app, proxies)  # type: ignore[method-assign, assignment]
    return app


def _door(site: Site) -> Response | None:
    """Who asks for what: None lets the request in."""
    if not is_host_known(site.address, request.host):
        return Response("Not an address of this service.\n", 400, mimetype="text/plain")
    authorization = request.headers.get("Authorization", "")
    g.asker = site.door.who(request.cookies.get(login_cookie(site), ""), authorization, site.clock())
    g.binding = request.cookies.get(login_cookie(site), "") if g.asker and g.asker.session else ""
    if request.method == "POST" and comes_from_elsewhere(
        site.address, request.headers.get("Sec-Fetch-Site", ""), request.headers.get("Origin", "")
    ):
        log.warning("a form from another site was refused (%s)", request.path)
        return notice(site, "bad_request", 403)
    if request.endpoint in OPEN_TO_ALL or g.asker is not None:
        return None
    proxied = any(name in request.headers for name in PROXY_HEADERS)
    if request.endpoint in FOR_READERS and site.address.open_reading and not proxied:
        return None
    if authorization or request.method not in ("GET", "HEAD"):
        return Response(
            "A login or a token is needed.\n", 401, {"WWW-Authenticate": "Bearer"}, mimetype="text/plain"
        )
    return _redirect(url_for("login", to=request.path.lstrip("/")))


def _redirect(address: str) -> Response:
    answer = redirect(address, 303)
    assert isinstance(answer, Response)
    return answer


def _with_headers(response: Response) -> Response:
    for name, value in HEADERS.items():
        response.headers.setdefault(name, value)
    return response


def notice(site: Site, code: str, status: int) -> Response:
    """A page with one sentence; for a program the sentence alone."""
    page = compose_notice(site.setting(), code, url_for("home"))
    asker = g.get("asker")
    if asker is not None and asker.session is None:
        return Response(f"{page.line}\n", status, mimetype="text/plain")
    return Response(render_notice(page), status, mimetype="text/html")


def _http_error(site: Site, error: HTTPException) -> Response:
    status = error.code or 500
    if status < 400:
        # Werkzeug's own redirects are exceptions too.
        return Response(status=status, headers=error.get_headers())
    answer = notice(site, NOTICE_OF.get(status, "bad_request"), status)
    if isinstance(error, MethodNotAllowed) and error.valid_methods:
        answer.headers["Allow"] = ", ".join(error.valid_methods)
    return answer


def _busy(site: Site, error: StoreBusy) -> Response:
    log.warning("%s", error)
    return notice(site, "busy", 503)


def _fault(site: Site, error: Exception) -> Response:
    log.error("a request for %s failed", request.path, exc_info=error)
    return notice(site, "failed", 500)


def _below(inner: Any, base: str) -> WsgiApp:
    """Everything lies below a path: the proxy hands on the whole of it."""

    def application(environ: dict[str, Any], start: Callable[..., Any]) -> Iterable[bytes]:
        path = environ.get("PATH_INFO", "")
        if path != base and not path.startswith(f"{base}/"):
            plain = Response("Nothing here.\n", 404, HEADERS, mimetype="text/plain")
            return plain(environ, start)
        environ["SCRIPT_NAME"], environ["PATH_INFO"] = base, path[len(base) :] or "/"
        answered: Iterable[bytes] = inner(environ, start)
        return answered

    return application

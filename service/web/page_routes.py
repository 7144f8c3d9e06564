"""The pages of the folder, read-only, with the line on top that says what can be done."""

from __future__ import annotations

from flask import Flask, Response, abort, g, redirect, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from trimkeep.reports.compose_forms import compose_desk, compose_notice
from trimkeep.reports.form_inputs import DeskInput
from trimkeep.reports.render import desk_style, render_desk, render_notice
from trimkeep.service.page_links import BOARD, FOLDER
from trimkeep.service.web.shelf import ShelvedPage, has_digest, take, with_desk
from trimkeep.service.web.site import Site


def add(app: Flask, site: Site) -> None:
    """Add the routes of the pages."""

    @app.get("/", endpoint="home")
    def home() -> AnyResponse:
        if take(site.fleet.output, FOLDER, BOARD) is None:
            page = compose_notice(site.setting(), "no_pages", None)
            return Response(render_notice(page), 503, {"Retry-After": "30"}, mimetype="text/html")
        return redirect(url_for("page", name=BOARD), 303)

    @app.get(f"/{FOLDER}/<name>", endpoint="page")
    def page(name: str) -> Response:
        return _shown(site, take(site.fleet.output, FOLDER, name))

    @app.get("/<name>", endpoint="digest")
    def digest(name: str) -> Response:
        return _shown(site, take(site.fleet.output, "", name))


def _shown(site: Site, page: ShelvedPage | None) -> Response:
    if page is None:
        abort(404)
    desk = render_desk(compose_desk(_desk(site, page)), site.setting().language)
    response = Response(with_desk(page.html, desk_style(), desk), mimetype="text/html")
    response.add_etag()
    response.make_conditional(request)
    return response


def _desk(site: Site, page: ShelvedPage) -> DeskInput:
    home = None if page.kind == "board" else url_for("home")
    digest = url_for("digest", name="latest.html") if has_digest(site.fleet.output) else None
    if page.stem == "latest":
        digest = None
    if g.asker is None:
        return DeskInput(home, digest, login=url_for("login", to=request.path.lstrip("/")))
    account, session = g.asker.account, g.asker.session
    writes = account.role.may_write
    notice = ""
    if session is not None:
        notice, session.notice = session.notice, ""
    return DeskInput(
        home,
        digest,
        answer=url_for("answer", stem=page.stem) if writes and page.kind == "finding" else None,
        record=url_for("record", stem=page.stem) if writes and page.kind == "airframe" else None,
        account=url_for("account"),
        name=account.name,
        role=str(account.role),
        notice=notice,
    )

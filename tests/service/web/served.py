"""A told fleet with accounts, served to a test client or on a real port, with a clock that can be moved."""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from tests.service.small_logs import fleet_in
from tests.service.told_fleet import NOW, judged, told_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.service.pages import write_pages
from trimkeep.service.store.connection import Store
from trimkeep.service.web.accounts import Role, add_account
from trimkeep.service.web.app import make_app
from trimkeep.service.web.passwords import hash_password, hash_token
from trimkeep.service.web.site import Site, make_site

PASSWORD = "seven quiet herons"
READER_TOKEN, ENGINEER_TOKEN = "tk_reader-for-tests", "tk_engineer-for-tests"
# The cost of a real hash is a tenth of a second each; what is tested here is not how long it takes.
QUICK = 2
HOST = "http://127.0.0.1"
WORK = {
    "kind": "servo",
    "part": "elevator servo",
    "done_on": "2026-03-18",
    "done_by": "R. Vale",
    "approved_by": "M. Orchard",
}
FINDING, AIRFRAME = "finding-f1-3f524c", "airframe-heron-01-3239b7"


@dataclass
class Clock:
    """A clock that stands until it is moved."""

    moment: datetime = field(default=NOW)

    def __call__(self) -> datetime:
        return self.moment

    def forward(self, **by: float) -> None:
        self.moment += timedelta(**by)


@dataclass
class Served:
    """One site with its clock."""

    fleet: FleetSettings
    store: Store
    site: Site
    clock: Clock

    def client(self) -> FlaskClient:
        """A browser of its own."""
        return make_app(self.site).test_client()

    def logged_in(self, name: str, password: str = PASSWORD) -> FlaskClient:
        """A browser in which somebody has logged in."""
        client = self.client()
        answer = log_in(client, name, password)
        assert answer.status_code == 303, answer.text
        return client


def served(folder: Path, settings: str = "") -> Served:
    """Six flights, one finding, pages; Ann is an engineer, Bob a reader, two programs have tokens.

    Made once for a run of tests, copied for each.
    """
    template = folder.parent / "served_fleet"
    if not template.exists():
        template.mkdir()
        _make(template)
    shutil.copytree(template, folder, dirs_exist_ok=True)
    fleet = fleet_in(folder, settings)
    clock = Clock()
    site = make_site(fleet, clock)
    return Served(fleet, site.store, site, clock)


def _make(folder: Path) -> None:
    fleet, store = told_fleet(folder)
    write_pages(store, fleet, judged(store), NOW)
    for name, role in (("Ann", Role.ENGINEER), ("Bob", Role.READER)):
        add_account(store, name, role, hash_password(PASSWORD, cost=QUICK), by="root", now=NOW)
    add_account(store, "monitor", Role.READER, hash_token(READER_TOKEN), by="root", now=NOW)
    add_account(store, "workshop", Role.ENGINEER, hash_token(ENGINEER_TOKEN), by="root", now=NOW)


def token_in(answer: TestResponse) -> str:
    """The token of the form in a page."""
    found = re.search(r'name="token" value="([0-9a-f]+)"', answer.text)
    assert found, answer.text[-2000:]
    return found.group(1)


def log_in(client: FlaskClient, name: str, password: str, to: str = "") -> TestResponse:
    """Fill in the form of the login."""
    address = f"/login?to={to}"
    token = token_in(client.get(address, base_url=HOST))
    form = {"token": token, "name": name, "password": password}
    return client.post(address, base_url=HOST, data=form)


def send(client: FlaskClient, address: str, **form: str) -> TestResponse:
    """Open a form and send it filled in."""
    token = token_in(client.get(address, base_url=HOST))
    return client.post(address, base_url=HOST, data={"token": token, **form})


def bearer(token: str) -> dict[str, str]:
    """The header by which a program names itself."""
    return {"Authorization": f"Bearer {token}"}

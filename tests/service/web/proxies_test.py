"""Who a request comes from: the word of the proxies that the settings name, and of nobody else."""

from __future__ import annotations

import http.client
import threading
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlencode

import pytest
from flask.testing import FlaskClient

from tests.service.web.served import QUICK, Served, served, token_in
from trimkeep.config.errors import SettingsError
from trimkeep.config.serve import ServeSettings
from trimkeep.service.web import login_routes
from trimkeep.service.web.app import make_app
from trimkeep.service.web.passwords import hash_password
from trimkeep.service.web.proxies import caller, proxies_of
from trimkeep.service.web.server import Server
from trimkeep.service.web.throttle import PER_ADDRESS

PUBLIC = '[serve]\nport = 0\npublic_url = "https://pages.example.org"\n'
HOST = "https://pages.example.org"
TWO = ServeSettings(proxies=("127.0.0.1", "10.0.0.0/28", "2001:db8::/64"))


@pytest.mark.parametrize(
    ("peer", "forwarded", "expected"),
    [
        ("127.0.0.1", "203.0.113.7", "203.0.113.7"),
        ("127.0.0.1", "1.2.3.4, 203.0.113.7", "203.0.113.7"),  # the first was written by the caller
        ("127.0.0.1", "203.0.113.7, 10.0.0.3", "203.0.113.7"),  # two proxies, both ours
        ("127.0.0.1", "1.2.3.4, 10.0.0.99", "10.0.0.99"),  # not ours: outside of the network
        ("203.0.113.9", "1.2.3.4", "203.0.113.9"),  # a caller who came past the proxy
        ("203.0.113.9", "", "203.0.113.9"),
        ("127.0.0.1", "", "127.0.0.1"),
        ("127.0.0.1", "unknown", "127.0.0.1"),
        ("127.0.0.1", "1.2.3.4, unknown", "127.0.0.1"),
        ("127.0.0.1", "203.0.113.7:5511", "203.0.113.7"),
        ("::ffff:127.0.0.1", "203.0.113.7", "203.0.113.7"),
        ("2001:db8::5", "[2001:db8:1::9]:443", "2001:db8:1::9"),
        ("10.0.0.2", '"203.0.113.7"', "203.0.113.7"),
        ("10.0.0.2", "10.0.0.3, 10.0.0.4", "10.0.0.3"),  # from one of the proxies itself
        ("", "1.2.3.4", ""),
    ],
)
def test_the_caller_is_the_last_address_that_is_no_proxy_of_ours(
    peer: str, forwarded: str, expected: str
) -> None:
    assert caller(peer, forwarded, proxies_of(TWO)) == expected


@pytest.mark.parametrize("text", ["proxy.example.org", "10.0.0.1/8", "0.0.0.0/0", "::/0", ""])
def test_what_is_no_proxy_or_everybody_is_refused(text: str) -> None:
    with pytest.raises(SettingsError, match=r"serve\.proxies"):
        proxies_of(ServeSettings(proxies=(text,)))


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Served:
    # A try with a name that nobody has takes as long as any; how long is not what is tested here.
    quick = hash_password("not a password of anybody", cost=QUICK)
    monkeypatch.setattr(login_routes, "_nobodys", lambda: quick)
    return served(tmp_path, PUBLIC)


def tried(client: FlaskClient, peer: str, forwarded: str, name: str) -> int:
    """Log in with a wrong password; the answer's status."""
    headers = {"X-Forwarded-For": forwarded, "X-Forwarded-Proto": "http", "X-Real-Ip": forwarded}
    token = token_in(client.get("/login", base_url=HOST))
    form = {"token": token, "name": name, "password": "wrong wrong wrong"}
    environ = {"REMOTE_ADDR": peer}
    return client.post("/login", base_url=HOST, data=form, headers=headers, environ_base=environ).status_code


def test_a_caller_who_writes_the_header_himself_is_throttled_all_the_same(here: Served) -> None:
    client = here.client()
    # Past the proxy, another invented address each time.
    answers = [tried(client, "203.0.113.9", f"198.51.100.{n}", f"name {n}") for n in range(PER_ADDRESS + 1)]
    assert answers == [401] * PER_ADDRESS + [429]
    # Through the proxy, which adds the true one at the end.
    answers = [
        tried(client, "127.0.0.1", f"198.51.100.{n}, 203.0.113.8", f"other {n}")
        for n in range(PER_ADDRESS + 1)
    ]
    assert answers == [401] * PER_ADDRESS + [429]
    # Somebody else behind the same proxy is not shut out by that.
    assert tried(client, "127.0.0.1", "203.0.113.200", "Ann") == 401


def test_a_proxy_elsewhere_is_believed_once_it_is_named(here: Served) -> None:
    client = here.client()
    for n in range(PER_ADDRESS):
        tried(client, "10.0.0.4", f"203.0.113.{n}", f"name {n}")
    # Not named: all of them are the proxy's.
    assert tried(client, "10.0.0.4", "203.0.113.99", "Ann") == 429
    serve = replace(here.fleet.settings.serve, proxies=("10.0.0.4",))
    fleet = replace(here.fleet, settings=replace(here.fleet.settings, serve=serve))
    client = make_app(replace(here.site, fleet=fleet)).test_client()
    assert tried(client, "10.0.0.4", "203.0.113.99", "Ann") == 401


def test_the_listening_server_hands_the_header_on_for_weighing(here: Served) -> None:
    server = Server(here.site)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    seen = []
    real = here.site.throttle.take
    here.site.throttle.take = lambda name, address, now: seen.append(address) or real(name, address, now)  # type: ignore[method-assign, func-returns-value]
    try:
        connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=20)
        head = {"Host": "pages.example.org", "X-Forwarded-For": "1.2.3.4, 203.0.113.7"}
        connection.request("GET", "/login", headers=head)
        answer = connection.getresponse()
        page = answer.read().decode()
        cookie = answer.getheader("Set-Cookie", "").partition(";")[0]
        token = page.partition('name="token" value="')[2].partition('"')[0]
        body = urlencode({"token": token, "name": "Ann", "password": "wrong wrong wrong"})
        form = {"Content-Type": "application/x-www-form-urlencoded", "Cookie": cookie}
        connection.request("POST", "/login", body, {**head, **form})
        assert connection.getresponse().status == 401
        connection.close()
    finally:
        server._server.close()
        here.site.refresher.stop()
    assert seen == ["203.0.113.7"]

"""Passwords, accounts, logins, tries and addresses, each by itself."""

from __future__ import annotations

import json
import threading
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.service.told_fleet import NOW
from trimkeep.config.errors import SettingsError, UsageError
from trimkeep.config.serve import ServeSettings
from trimkeep.service.store.audit import load_records
from trimkeep.service.store.connection import Store, open_store
from trimkeep.service.web.accounts import (
    FILE_NAME,
    AccountBook,
    Role,
    add_account,
    change_credential,
    find_account,
    load_accounts,
    remove_account,
)
from trimkeep.service.web.door import Address, address_of, comes_from_elsewhere, is_host_known, is_loopback
from trimkeep.service.web.passwords import (
    LONGEST,
    hash_password,
    hash_token,
    make_token,
    password_fits,
    token_fits,
)
from trimkeep.service.web.sessions import MOST_SESSIONS, SessionBook
from trimkeep.service.web.shelf import kind_of, take, with_desk
from trimkeep.service.web.throttle import MOST_KEYS, PER_ACCOUNT, PER_ADDRESS, PER_BOTH, WINDOW, Throttle

PASSWORD = "seven quiet herons"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return open_store(tmp_path / "state")


def add(store: Store, name: str, role: Role = Role.READER) -> None:
    add_account(store, name, role, hash_password(PASSWORD, cost=2), by="root", now=NOW)


def test_a_password_is_kept_as_a_salted_hash_that_says_how_it_was_made() -> None:
    kept = hash_password(PASSWORD)
    assert kept.startswith("scrypt$32768$8$3$") and PASSWORD not in kept
    assert password_fits(PASSWORD, kept)
    # The salt and what fits do not rest on the cost, which is a quarter of a second each time.
    one, two = hash_password(PASSWORD, cost=2), hash_password(PASSWORD, cost=2)
    assert one != two and one.startswith("scrypt$2$8$3$")
    assert password_fits(PASSWORD, one) and password_fits(PASSWORD, two)
    assert not password_fits(PASSWORD + " ", one)


def test_a_password_typed_on_another_keyboard_is_the_same() -> None:
    assert password_fits("cafe\u0301 in the hangar", hash_password("caf\u00e9 in the hangar", cost=2))


@pytest.mark.parametrize("password", ["", "short", "x" * (LONGEST + 1)])
def test_a_password_too_short_or_too_long_is_refused_and_not_repeated(password: str) -> None:
    with pytest.raises(UsageError, match="12 to 256 are needed") as caught:
        hash_password(password)
    assert not password or password not in str(caught.value)


@pytest.mark.parametrize(
    "kept", ["", "plain", "scrypt$2$8$1$%%$%%", "scrypt$3$8$1$AA==$AA==", "md5$1$2$3$4$5"]
)
def test_a_hash_of_another_kind_fits_nothing(kept: str) -> None:
    assert not password_fits(PASSWORD, kept)


def test_a_token_fits_itself_only() -> None:
    token = make_token()
    assert token_fits(token, hash_token(token)) and token not in hash_token(token)
    assert not token_fits(token[:-1], hash_token(token))
    assert not password_fits(token, hash_token(token))


def test_accounts_are_in_a_private_file_and_in_the_chain(store: Store) -> None:
    add(store, "  R.  Vale ", Role.ENGINEER)
    add(store, "Ann")
    change_credential(store, "ann", hash_token("tk_x"), by="root", now=NOW + timedelta(hours=1))
    remove_account(store, "r. vale", by="root")
    path = store.state / FILE_NAME
    assert path.stat().st_mode & 0o777 == 0o600
    [ann] = load_accounts(store.state)
    assert (ann.name, ann.by_token, ann.made_at < ann.changed_at) == ("Ann", True, True)
    records = [(one.kind, one.content) for one in load_records(store)]
    assert records == [
        ("account_added", {"account": "R. Vale", "role": "engineer", "by": "root"}),
        ("account_added", {"account": "Ann", "role": "reader", "by": "root"}),
        ("account_credential_changed", {"account": "Ann", "role": "reader", "by": "root"}),
        ("account_removed", {"account": "R. Vale", "role": "engineer", "by": "root"}),
    ]
    assert not list(store.state.glob("*.part"))


def test_one_name_is_one_account_however_it_is_typed(store: Store) -> None:
    add(store, "\u00c5nn Stra\u00dfe")
    for name in ("\u00e5nn  strasse", "A\u030ann Stra\u00dfe"):
        assert find_account(load_accounts(store.state), name) is not None
        with pytest.raises(UsageError, match="has an account already"):
            add(store, name)
    assert len(load_records(store)) == 1


@pytest.mark.parametrize("name", ["", "  ", "x" * 61, "a\x00b", "a\u202eb"])
def test_a_name_that_is_none_is_refused(store: Store, name: str) -> None:
    with pytest.raises(UsageError, match="is no name"):
        add(store, name)
    assert load_accounts(store.state) == () and load_records(store) == ()


def test_an_unknown_account_is_named_with_the_nearest(store: Store) -> None:
    with pytest.raises(UsageError, match="Add one with"):
        remove_account(store, "Bob", by="root")
    add(store, "Robert")
    with pytest.raises(UsageError, match="Did you mean Robert"):
        change_credential(store, "Rob", "x", by="root", now=NOW)


def test_a_file_that_others_may_read_is_refused(store: Store) -> None:
    add(store, "Ann")
    (store.state / FILE_NAME).chmod(0o640)
    with pytest.raises(SettingsError, match=r"is open to others.*chmod 600"):
        load_accounts(store.state)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        '{"schema": 1}',
        '{"schema": 2, "accounts": []}',
        '{"schema": 1, "accounts": [{"name": 1}]}',
    ],
)
def test_a_damaged_file_is_one_sentence(store: Store, text: str) -> None:
    path = store.state / FILE_NAME
    path.write_text(text)
    path.chmod(0o600)
    with pytest.raises(SettingsError) as caught:
        load_accounts(store.state)
    assert "\n" not in str(caught.value)


def test_accounts_made_at_once_are_all_kept(store: Store) -> None:
    threads = [threading.Thread(target=add, args=(store, f"person {n}")) for n in range(8)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert len(load_accounts(store.state)) == len(load_records(store)) == 8


def test_a_link_in_the_place_of_the_lock_is_not_followed(store: Store, tmp_path: Path) -> None:
    (store.state / f".{FILE_NAME}.lock").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(SettingsError, match="cannot be written"):
        add(store, "Ann")
    assert not (tmp_path / "elsewhere").exists()


def test_the_book_follows_the_file(store: Store) -> None:
    book = AccountBook(store.state)
    assert book.all() == ()
    add(store, "Ann")
    assert [one.name for one in book.all()] == ["Ann"]
    assert book.all() is book.all()
    remove_account(store, "Ann", by="root")
    assert book.all() == ()


def test_a_login_is_known_by_its_name_until_its_time(store: Store) -> None:
    add(store, "Ann")
    accounts, sessions = load_accounts(store.state), SessionBook(hours=2.0)
    name = sessions.begin(accounts[0], NOW)
    found = sessions.find(name, accounts, NOW + timedelta(hours=1.9))
    assert found is not None and found[1] is accounts[0]
    assert sessions.find(name[:-1], accounts, NOW) is None
    assert sessions.find(name, accounts, NOW + timedelta(hours=2)) is None
    assert sessions.find(name, accounts, NOW) is None


def test_another_password_ends_the_login(store: Store) -> None:
    add(store, "Ann")
    accounts, sessions = load_accounts(store.state), SessionBook(hours=2.0)
    name = sessions.begin(accounts[0], NOW)
    assert sessions.find(name, (replace(accounts[0], credential="other"),), NOW) is None


def test_a_new_role_holds_at_once(store: Store) -> None:
    add(store, "Ann", Role.ENGINEER)
    accounts, sessions = load_accounts(store.state), SessionBook(hours=2.0)
    name = sessions.begin(accounts[0], NOW)
    found = sessions.find(name, (replace(accounts[0], role=Role.READER),), NOW)
    assert found is not None and not found[1].role.may_write


def test_logins_do_not_fill_the_memory(store: Store) -> None:
    add(store, "Ann")
    accounts, sessions = load_accounts(store.state), SessionBook(hours=2.0)
    names = [sessions.begin(accounts[0], NOW) for _ in range(MOST_SESSIONS + 1)]
    alive = [sessions.find(name, accounts, NOW) is not None for name in names]
    assert alive == [False] + [True] * MOST_SESSIONS


def test_a_form_token_is_of_one_browser_and_one_process() -> None:
    sessions = SessionBook(hours=1.0)
    token = sessions.form_token("a")
    assert sessions.is_form_token(token, "a")
    assert not sessions.is_form_token(token, "b")
    assert not sessions.is_form_token(sessions.form_token(""), "")
    assert not SessionBook(hours=1.0).is_form_token(token, "a")


def fail(throttle: Throttle, name: str, address: str, times: int) -> list[bool]:
    return [throttle.take(name, address, NOW) == timedelta(0) for _ in range(times)]


def test_tries_are_counted_by_account_and_address() -> None:
    throttle = Throttle()
    assert fail(throttle, "Ann", "a", PER_BOTH + 1) == [True] * PER_BOTH + [False]
    assert throttle.take("ANN", "a", NOW + timedelta(minutes=5)) == WINDOW - timedelta(minutes=5)
    assert throttle.take("Ann", "b", NOW) == timedelta(0)
    assert throttle.take("Ann", "a", NOW + WINDOW) == timedelta(0)


def test_one_address_cannot_try_every_name() -> None:
    throttle = Throttle()
    tried = [fail(throttle, f"name {n}", "a", 1)[0] for n in range(PER_ADDRESS + 1)]
    assert tried == [True] * PER_ADDRESS + [False]


def test_many_addresses_cannot_try_one_name() -> None:
    throttle = Throttle()
    tried = [fail(throttle, "Ann", f"address {n}", 1)[0] for n in range(PER_ACCOUNT + 1)]
    assert tried == [True] * PER_ACCOUNT + [False]


def test_the_right_password_counts_for_nothing() -> None:
    throttle = Throttle()
    for _ in range(PER_ACCOUNT + 1):
        assert throttle.take("Ann", "a", NOW) == timedelta(0)
        throttle.succeeded("Ann", "a")


def test_tries_do_not_fill_the_memory() -> None:
    throttle = Throttle()
    for n in range(MOST_KEYS):
        throttle.take(f"name {n}", f"address {n}", NOW)
    assert len(throttle._failed) <= MOST_KEYS


@pytest.mark.parametrize(
    ("settings", "sentence"),
    [
        (ServeSettings(host="0.0.0.0"), "in the clear"),
        (ServeSettings(host="192.0.2.7", reading_without_login=True), "in the clear"),
        (ServeSettings(host="pages.example.org"), "in the clear"),
        (ServeSettings(public_url="http://pages.example.org"), "is not https"),
        (ServeSettings(host="0.0.0.0", public_url="http://127.0.0.1"), "is not https"),
        (ServeSettings(public_url="pages.example.org"), "is no address"),
        (ServeSettings(public_url="https://a@pages.example.org"), "is no address"),
        (ServeSettings(public_url="https://pages.example.org:x"), "is no address"),
        (ServeSettings(public_url="https://pages.example.org/?a=1"), "is no address"),
        (ServeSettings(public_url="https://p.example.org", reading_without_login=True), "only for loopback"),
    ],
)
def test_what_would_not_be_safe_is_refused(settings: ServeSettings, sentence: str) -> None:
    with pytest.raises(SettingsError, match=sentence):
        address_of(settings)


def test_addresses() -> None:
    assert address_of(ServeSettings()) == Address("", "", False, False)
    assert address_of(ServeSettings(host="::1", reading_without_login=True)) == Address("", "", False, True)
    behind = ServeSettings(host="0.0.0.0", public_url="https://Pages.example.org:8443/fleet/")
    assert address_of(behind) == Address("pages.example.org:8443", "/fleet", True, False)
    assert [is_loopback(one) for one in ("127.8.0.1", "[::1]", "localhost", "10.0.0.1", "x")] == [
        True,
        True,
        True,
        False,
        False,
    ]


def test_hosts_and_origins() -> None:
    local, behind = Address("", "", False, False), Address("pages.example.org", "/fleet", True, False)
    for host in ("127.0.0.1:8420", "LOCALHOST", "[::1]:8420", "[::1]", "127.0.0.1:"):
        assert is_host_known(local, host)
    for host in ("", "127.0.0.1:8\u0664", "localhost.example.org", "evil:80", "[::1]x"):
        assert not is_host_known(local, host)
    assert is_host_known(behind, "pages.example.org:443") and not is_host_known(behind, "127.0.0.1")
    assert not comes_from_elsewhere(behind, "same-origin", "https://pages.example.org")
    assert not comes_from_elsewhere(local, "", "") and not comes_from_elsewhere(local, "none", "null")
    assert comes_from_elsewhere(behind, "", "http://pages.example.org")
    assert comes_from_elsewhere(local, "cross-site", "http://127.0.0.1:8420")


@pytest.mark.parametrize(
    "name",
    [
        "",
        ".",
        "..",
        "board.html/",
        "Board.html",
        "finding-\u00e9.html",
        "finding-.html",
        "finding-a.html\n",
        "a.html",
    ],
)
def test_odd_names_are_no_pages(name: str, tmp_path: Path) -> None:
    assert kind_of("pages", name) is None and kind_of("", name) is None
    assert take(tmp_path, "pages", name) is None


def test_a_digest_is_known_by_its_name() -> None:
    assert kind_of("", "digest-2026-03-20T0800.html") == kind_of("", "latest.html") == "digest"
    assert kind_of("pages", "latest.html") is None and kind_of("..", "latest.html") is None


def test_the_line_goes_on_top_of_the_body_and_nowhere_else() -> None:
    page = "<html><head><style>a</style></head>\n<body>\n<p>&lt;body&gt;</p></body></html>"
    assert with_desk(page, "b", "<nav>x</nav>") == (
        "<html><head><style>a</style><style>\nb\n</style>\n</head>\n<body>\n<nav>x</nav>\n"
        "<p>&lt;body&gt;</p></body></html>"
    )
    assert with_desk("<p>half a page", "b", "x") == "<p>half a page"


def test_the_file_holds_no_password(store: Store) -> None:
    add(store, "Ann")
    text = (store.state / FILE_NAME).read_text(encoding="utf-8")
    assert PASSWORD not in text and json.loads(text)["accounts"][0]["credential"].startswith("scrypt$")
    assert (store.state / f".{FILE_NAME}.lock").stat().st_mode & 0o777 == 0o600

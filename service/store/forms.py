"""Forms that were taken: one that is sent twice is recorded once, and answered as the first time."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import duckdb

from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.values import canonical_json, first_row, to_store

# A second click comes within seconds, a browser that tries again within minutes.
KEPT = timedelta(days=7)


class FormRepeated(Exception):
    """The same form was taken already; `said` is what was answered then. It ends the transaction."""

    def __init__(self, said: str) -> None:
        super().__init__(said)
        self.said = said


@dataclass(frozen=True, slots=True)
class SentForm:
    """One form as it was sent.

    `once` is the number that the form was given when it was shown. What was filled in counts too: a form that
    was sent, gone back to and filled in otherwise is another.
    """

    account: str
    address: str
    once: str
    given: Mapping[str, str]

    @property
    def token_sha256(self) -> str:
        """Stands for all of it."""
        text = canonical_json([self.account, self.address, self.once, dict(self.given)])
        return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


_SAID = "SELECT said FROM form_sent WHERE token_sha256 = ?"
_ADD = "INSERT INTO form_sent VALUES (?, ?, ?, ?)"
_FORGET = "DELETE FROM form_sent WHERE sent_at < ?"


def said_before(store: Store, form: SentForm) -> str | None:
    """What was answered when the same form was taken; None when it was not."""
    with unit_of_work(store) as connection:
        row = first_row(connection, _SAID, [form.token_sha256])
    return None if row is None else str(row[0])


def note_sent(connection: duckdb.DuckDBPyConnection, form: SentForm, said: str, at: datetime) -> None:
    """Note a form in the transaction that records what it says.

    Raises
    ------
    FormRepeated
        It was taken meanwhile; the transaction must come to nothing.
    """
    row = first_row(connection, _SAID, [form.token_sha256])
    if row is not None:
        raise FormRepeated(str(row[0]))
    connection.execute(_FORGET, [to_store(at - KEPT)])
    connection.execute(_ADD, [form.token_sha256, form.account, to_store(at), said])

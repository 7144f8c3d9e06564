"""Passwords and tokens: what is kept of them is a hash that says how it was made.

scrypt as in RFC 7914; its cost is one of those that OWASP's cheat sheet on password storage lists as equal
to N = 2**17, r = 8, p = 1, with less memory for each login: a service on a small machine must bear several.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
import unicodedata

from trimkeep.config.errors import UsageError

COST, BLOCK, PARALLEL = 2**15, 8, 3
MEMORY_BYTES = 64 * 1024 * 1024
SALT_BYTES, HASH_BYTES = 16, 32
# Common practice asks for eight to fifteen; logins are throttled, and a stolen file is slow to try.
SHORTEST, LONGEST = 12, 256
TOKEN_BYTES = 32
TOKEN_START = "tk_"


def hash_password(password: str, *, cost: int = COST) -> str:
    """`scrypt$N$r$p$salt$hash` of a password, base64 without line breaks.

    Parameters
    ----------
    password : str
    cost : int
        N, a power of two; what it was is kept with the hash, so that it can be raised later.

    Raises
    ------
    UsageError
        Too short or too long. The message never holds the password.
    """
    if not SHORTEST <= len(password) <= LONGEST:
        raise UsageError(
            f"has {len(password)} characters; {SHORTEST} to {LONGEST} are needed",
            subject="password",
            next_step="Choose another one; several words are easier to keep than odd letters",
        )
    salt = secrets.token_bytes(SALT_BYTES)
    digest = _scrypt(password, salt, cost, BLOCK, PARALLEL)
    parts = (str(cost), str(BLOCK), str(PARALLEL), _text(salt), _text(digest))
    return "$".join(("scrypt", *parts))


def password_fits(password: str, kept: str) -> bool:
    """Whether a password is the one that `hash_password` was given; False for a hash of another kind."""
    try:
        kind, cost, block, parallel, salt, digest = kept.split("$")
        if kind != "scrypt" or len(password) > LONGEST:
            return False
        tried = _scrypt(password, base64.b64decode(salt), int(cost), int(block), int(parallel))
        return hmac.compare_digest(tried, base64.b64decode(digest))
    except ValueError:
        return False


def _scrypt(password: str, salt: bytes, cost: int, block: int, parallel: int) -> bytes:
    # The same letters can be typed in two ways: `é` on one keyboard is `e` and an accent on another.
    given = unicodedata.normalize("NFKC", password).encode("utf-8", "surrogatepass")
    return hashlib.scrypt(
        given, salt=salt, n=cost, r=block, p=parallel, maxmem=MEMORY_BYTES, dklen=HASH_BYTES
    )


def make_token() -> str:
    """A token of 256 random bits, to be shown once."""
    return TOKEN_START + secrets.token_urlsafe(TOKEN_BYTES)


def hash_token(token: str) -> str:
    """`sha256$hash` of a token: nobody guesses 256 bits, so a slow hash would add nothing."""
    return "sha256$" + hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def token_fits(token: str, kept: str) -> bool:
    """Whether a token is the one that `hash_token` was given."""
    return hmac.compare_digest(hash_token(token).encode(), kept.encode("utf-8", "surrogatepass"))


def _text(raw: bytes) -> str:
    return base64.b64encode(raw).decode("ascii")

"""Other people's text (names, notes, file names) made harmless to read.

HTML is escaped by the templates. What is left is done here: line breaks, control characters and
writing direction, which could otherwise turn the sentence around a name inside out.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata

FIRST_STRONG_ISOLATE, POP_ISOLATE = "\u2068", "\u2069"
# Embeddings, overrides, isolates and marks: a name that leaves one open would reverse the sentence after it.
_DIRECTION_CONTROLS = re.compile("[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_CONTROL_PICTURES = 0x2400
_RIGHT_TO_LEFT = frozenset({"R", "AL", "AN"})


def plain(text: str) -> str:
    """One line of text: breaks become spaces, control characters become visible, nothing else is lost.

    Right-to-left text is put between Unicode isolates, so that it reads right and leaves the words
    around it alone. Empty text stays empty.

    >>> plain("two\\nlines")
    'two lines'
    """
    one_line = " ".join(_DIRECTION_CONTROLS.sub("\ufffd", text).split())
    shown = "".join(_visible(letter) for letter in one_line)
    if any(unicodedata.bidirectional(letter) in _RIGHT_TO_LEFT for letter in shown):
        return f"{FIRST_STRONG_ISOLATE}{shown}{POP_ISOLATE}"
    return shown


def verbatim(line: str) -> str:
    """A line to be copied: spaces kept as they are, control characters and direction marks made visible."""
    return "".join(_visible(letter) for letter in _DIRECTION_CONTROLS.sub("\ufffd", line))


def _visible(letter: str) -> str:
    code = ord(letter)
    if code < 0x20:
        return chr(_CONTROL_PICTURES + code)
    # DEL, C1 controls, lone surrogates and non-characters cannot stand in a page.
    if 0x7F <= code < 0xA0 or 0xD800 <= code < 0xE000 or code & 0xFFFE == 0xFFFE:
        return "\ufffd"
    return letter


def anchor(kind: str, name: str) -> str:
    """A safe, stable name for a page or an anchor: readable letters plus a few digits of a hash.

    Two names that differ only in odd characters still get two anchors.

    >>> anchor("airframe", "heron-01")
    'airframe-heron-01-3239b7'
    """
    readable = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40]
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:6]
    return "-".join(part for part in (kind, readable, digest) if part)

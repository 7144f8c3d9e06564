"""Other people's text cannot break a page."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from trimkeep.reports.foreign import FIRST_STRONG_ISOLATE, POP_ISOLATE, anchor, plain, verbatim


@given(st.text(st.characters(exclude_categories=())))
def test_any_text_can_be_written_and_keeps_direction_to_itself(text: str) -> None:
    shown = plain(text)
    shown.encode("utf-8")
    assert "\n" not in shown and "\x00" not in shown
    assert shown.count(FIRST_STRONG_ISOLATE) == shown.count(POP_ISOLATE) <= 1
    verbatim(text).encode("utf-8")


def test_right_to_left_names_are_isolated() -> None:
    assert plain("נשר-01") == f"{FIRST_STRONG_ISOLATE}נשר-01{POP_ISOLATE}"
    assert plain("heron-01") == "heron-01"


def test_an_override_does_not_reach_the_sentence_after_it() -> None:
    assert "\u202e" not in plain("abc\u202edef")


def test_lines_to_paste_keep_their_spaces() -> None:
    assert verbatim('7 = "cruise"      # 41 min') == '7 = "cruise"      # 41 min'


def test_anchors_are_safe_and_tell_names_apart() -> None:
    names = ["heron 01", "heron-01", "HERON/01", "<b>", "", "鶴", "鷺"]
    anchors = {anchor("airframe", name) for name in names}
    assert len(anchors) == len(names)
    assert all(all(letter.isalnum() or letter == "-" for letter in one) and one.isascii() for one in anchors)

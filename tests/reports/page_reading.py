"""Reading a page back as a person or a browser would: elements, texts, ids."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = frozenset({"meta", "link", "br", "img", "hr", "input"})


@dataclass
class Page(HTMLParser):
    """What a page holds. `problems` lists tags that do not close as they opened."""

    html: str
    tags: Counter[str] = field(default_factory=Counter)
    ids: list[str] = field(default_factory=list)
    hrefs: list[str] = field(default_factory=list)
    attributes: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    headings: list[str] = field(default_factory=list)
    _open: list[str] = field(default_factory=list)
    _texts: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.feed(self.html)
        self.close()
        self.problems += [f"<{tag}> is never closed" for tag in self._open]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        attributes = dict(attrs)
        self.tags[tag] += 1
        self.attributes.append((tag, attributes))
        if attributes.get("id"):
            self.ids.append(str(attributes["id"]))
        if "href" in attributes:
            self.hrefs.append(str(attributes["href"]))
        if tag == "h2":
            self.headings.append("")
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self._open.pop()

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open[-1] != tag:
            self.problems.append(f"</{tag}> closes {self._open[-1:] or 'nothing'}")
        else:
            self._open.pop()

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] in ("style", "script"):
            return
        self._texts.append(data)
        if "h2" in self._open and self.headings:
            self.headings[-1] += data

    @property
    def text(self) -> str:
        """All text, white space made single."""
        return " ".join("".join(self._texts).split())

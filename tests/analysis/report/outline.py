"""What a page is made of, as the parser of the standard library sees it."""

import collections
import html.parser
import re

VOID = {"meta", "br", "hr", "img", "input", "link"}


class Outline(html.parser.HTMLParser):
    """What a page is made of."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: collections.Counter[str] = collections.Counter()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.headings: list[int] = []
        self.attributes: set[str] = set()
        self.open: list[str] = []
        self.faults: list[str] = []
        self.svgs: list[dict[str, str | None]] = []
        self.text: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Count the tag and keep what the tests ask for."""
        self._take(tag, dict(attrs))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """A tag that closes itself, as in SVG."""
        self._take(tag, dict(attrs))

    def handle_endtag(self, tag: str) -> None:
        """Every end has its start."""
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> at {self.getpos()}")

    def handle_data(self, data: str) -> None:
        """Keep the text."""
        self.text.append(data)

    def _take(self, tag: str, attrs: dict[str, str | None]) -> None:
        self.tags[tag] += 1
        self.attributes |= set(attrs)
        self.ids += [value for name, value in attrs.items() if name == "id" and value]
        self.links += [value for name, value in attrs.items() if name in ("href", "src", "xlink:href") and value]
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag == "svg":
            self.svgs.append(attrs)

"""Follows every link of the service's pages, as a search engine does: HTML is read by the parser of Python."""

from collections.abc import Mapping
from html.parser import HTMLParser
from typing import NamedTuple
from urllib.parse import urldefrag, urljoin, urlsplit

import httpx

BROWSER = {"accept": "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"}
# Each may name an address that has to be there.
NAMING = {"a": "href", "link": "href", "script": "src", "img": "src"}


class Read(HTMLParser):
    """What stands in a page: its tags, ids, links, text, and whatever would be forbidden by the policy."""

    def __init__(self, markup: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.outside: list[dict[str, str | None]] = []
        self.inline: list[str] = []
        self.text = ""
        self.feed(markup)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note the tag, with what it names and what it runs."""
        found = dict(attrs)
        self.tags.append(tag)
        self.ids += [value for name, value in attrs if name == "id" and value]
        self.inline += [name for name in found if name == "style" or name.startswith("on")]
        if tag == "style" or (tag == "script" and "src" not in found):
            self.inline.append(tag)
        address = found.get(NAMING.get(tag, ""))
        if address and urlsplit(address).netloc:
            self.outside.append(found)
        elif address:
            self.links.append(address)

    def handle_data(self, data: str) -> None:
        """Note the text."""
        self.text += data


class Page(NamedTuple):
    """One page as it was answered, and as it was read."""

    answer: httpx.Response
    read: Read


async def crawl(client: httpx.AsyncClient, start: str) -> Mapping[str, Page]:
    """Return every page by its path, reached from `start`. Fails on a link that leads nowhere."""
    pages: dict[str, Page] = {}
    anchors: list[tuple[str, str, str]] = []
    waiting = [(start, "")]
    seen = {start}
    while waiting:
        path, named_by = waiting.pop()
        answer = await client.get(path, headers=BROWSER)
        assert answer.status_code == 200, f"{named_by} leads to {path}: {answer.status_code}"
        if not answer.headers["content-type"].startswith("text/html"):
            continue
        pages[path] = Page(answer, Read(answer.text))
        for link in pages[path].read.links:
            target, anchor = urldefrag(urljoin(path, link))
            anchors.append((path, target, anchor))
            if target not in seen:
                seen.add(target)
                waiting.append((target, path))
    for path, target, anchor in anchors:
        # the page at / makes its views by itself
        if anchor and target != "/":
            assert anchor in pages[target].read.ids, f"{path} leads to {target}#{anchor}"
    return pages

"""What a screen reader and a network would see of a report."""

from __future__ import annotations

import re
from html.parser import HTMLParser

# names of the SVG standard, never fetched
_NAMES = {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}


class Outline(HTMLParser):
    """Collects what a screen reader and a network would see of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.headings: list[int] = []
        self.pictures: list[dict[str, str | None]] = []
        self.fetched: list[str] = []
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        self.tags.append(tag)
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag == "img":
            self.pictures.append(named)
        self.ids += [named["id"] or ""] if "id" in named else []
        for name in ("src", "href", "xlink:href", "srcset", "action", "data"):
            value = named.get(name) or ""
            if value and not value.startswith(("data:", "#")):
                self.fetched.append(value)


def assert_self_contained(html: str) -> None:
    page = Outline(html)
    assert page.fetched == []
    assert not {"script", "link", "iframe", "object", "embed"} & set(page.tags)
    assert "default-src 'none'" in html
    assert set(re.findall(r"url\((?:&#34;|['\"])?([a-z]+:|#)", html)) <= {"data:", "#"}
    assert set(re.findall(r"https?://[^\s\"'<>]+", html)) <= _NAMES


def assert_readable_aloud(html: str) -> Outline:
    """Headings in order, a text for every picture, a name for every chart, no name twice."""
    page = Outline(html)
    assert page.headings.count(1) == 1
    assert page.headings[0] == 1
    assert all(after - before <= 1 for before, after in zip(page.headings, page.headings[1:], strict=False))
    assert all(picture["alt"] and picture["width"] and picture["height"] for picture in page.pictures)
    assert {"main", "header", "footer"} <= set(page.tags)
    assert len(page.ids) == len(set(page.ids))  # two charts in one page must not share names
    for svg in re.findall(r"<svg.*?</svg>", html, re.DOTALL):
        if 'aria-hidden="true"' in svg:
            continue  # a patch of colour beside its name
        label = re.search(r'aria-labelledby="([^"]+)"', svg)
        assert label is not None
        assert all(f'id="{name}"' in svg for name in label[1].split())
        assert "<title" in svg
        assert "<desc" in svg
        used = set(re.findall(r'href="#([^"]+)"', svg)) | set(re.findall(r"url\(#([^)]+)\)", svg))
        assert used <= set(re.findall(r'id="([^"]+)"', svg))
    return page

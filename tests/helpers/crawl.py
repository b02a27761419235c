"""The service as one follows it: every link and every form that pages show to somebody."""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from urllib.parse import urldefrag, urljoin, urlsplit

from fastapi import FastAPI
from fastapi.testclient import TestClient
from roles import HERE, routes
from starlette.routing import Match

LIKE_AT_MOST = 4
"""Pages looked at of one route with the same names in its query; further ones are alike."""


@dataclass
class Field:
    """One field of a form. options: the values of a choice; kind: text, hidden, select…"""

    name: str
    kind: str
    value: str
    options: list[str] = field(default_factory=list)
    sent: bool = True


@dataclass
class Form:
    """One form of a page."""

    page: str
    action: str
    method: str
    fields: list[Field] = field(default_factory=list)

    @property
    def data(self) -> dict[str, list[str]]:
        """What a browser would send of it untouched."""
        found: dict[str, list[str]] = {}
        for one in self.fields:
            if one.name and one.sent:
                found.setdefault(one.name, []).append(one.value)
        return found


class _Reader(HTMLParser):
    def __init__(self, page: str) -> None:
        super().__init__()
        self.page = page
        self.links: list[str] = []
        self.forms: list[Form] = []
        self._form: Form | None = None
        self._select: Field | None = None
        self._text: Field | None = None
        self._inert = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        held = {name: value or "" for name, value in attrs}
        if tag == "a" and "href" in held:
            self.links.append(held["href"])
        for name in ("src", "data-chart", "data-library"):
            if name in held:
                self.links.append(held[name])
        if tag == "link" and "href" in held:
            self.links.append(held["href"])
        if tag == "form":
            action = urljoin(self.page, held.get("action", "") or self.page)
            self._form = Form(self.page, action, held.get("method", "get").lower())
            self.forms.append(self._form)
        if self._form is None or (not held.get("name") and tag != "option"):
            return
        if tag in ("input", "button"):
            kind = held.get("type", "text" if tag == "input" else "submit")
            value = held.get("value", "on" if kind in ("checkbox", "radio") else "")
            sent = kind not in ("checkbox", "radio") or "checked" in held
            self._form.fields.append(Field(held["name"], kind, value, sent=sent))
        elif tag == "textarea":
            self._text = Field(held["name"], "textarea", "")
            self._form.fields.append(self._text)
        elif tag == "select":
            self._select = Field(held["name"], "select", "")
            self._form.fields.append(self._select)
        elif tag == "option" and self._select is not None:
            self._select.options.append(held.get("value", ""))
            if "selected" in held or len(self._select.options) == 1:
                self._select.value = held.get("value", "")

    def handle_data(self, data: str) -> None:
        if self._text is not None:
            self._text.value += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._form = None
        elif tag == "select":
            self._select = None
        elif tag == "textarea" and self._text is not None:
            self._text.value = self._text.value.removeprefix("\n")  # as a browser reads it
            self._text = None


def read(page: str, html: str) -> tuple[list[str], list[Form]]:
    """(links to this service, forms) of a page at that address."""
    reader = _Reader(page)
    reader.feed(html)
    links = []
    for href in reader.links:
        if re.match(r"[a-z]+:", href) and not href.startswith(HERE):
            continue  # tel:, geo:, sms:, mailto:, data:, another site
        whole = urldefrag(urljoin(page, href)).url
        if urlsplit(whole).netloc == urlsplit(HERE).netloc:
            links.append(whole.removeprefix(HERE) or "/")
    return links, reader.forms


@dataclass
class Looked:
    """A page as it was found: the one that linked to it, how it answered, what it shows."""

    path: str
    of: str
    status: int
    links: list[str]
    forms: list[Form]


def route_of(app: FastAPI, method: str, path: str) -> str:
    """The pattern of the route that answers a path; '' where none does."""
    scope = {"type": "http", "path": urlsplit(path).path, "method": method, "root_path": ""}
    for route in routes(app):
        if route.matches(scope)[0] is Match.FULL:
            return str(route.path)
    return ""


def alike(app: FastAPI, path: str) -> str:
    """What makes two addresses the same kind of page."""
    names = sorted({pair.partition("=")[0] for pair in urlsplit(path).query.split("&") if pair})
    route = route_of(app, "GET", path)
    kind = urlsplit(path).path.rpartition("/")[2] if route.endswith("{kind}") else ""
    return f"{route}{kind}?{','.join(names)}"


def follow(
    app: FastAPI, client: TestClient, begin: tuple[str, ...] = ("/",), most: int = LIKE_AT_MOST
) -> Iterator[Looked]:
    """Every page one reaches from there, `most` of one kind; event streams are left out."""
    waiting = deque((path, "") for path in begin)
    seen, kinds = set(begin), dict[str, int]()
    while waiting:
        path, of = waiting.popleft()
        if urlsplit(path).path == "/events":
            continue
        kind = alike(app, path)
        kinds[kind] = kinds.get(kind, 0) + 1
        if kinds[kind] > most:
            continue
        answer = client.get(path)
        hops = 0
        while answer.is_redirect and hops < 5:
            path = urljoin(HERE + path, answer.headers["location"]).removeprefix(HERE)
            answer, hops = client.get(path), hops + 1
        links: list[str] = []
        forms: list[Form] = []
        if "text/html" in answer.headers.get("content-type", ""):
            links, forms = read(HERE + path, answer.text)
        yield Looked(path, of, answer.status_code, links, forms)
        for link in links:
            if link not in seen:
                seen.add(link)
                waiting.append((link, path))

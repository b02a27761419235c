"""A page with a form filled in again, as it was sent. Pure: HTML of ours in, HTML out.

Only the tags of the one form are written anew; the rest of the page stays as it is, letter for
letter. Everything put in is escaped.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from html.parser import HTMLParser
from urllib.parse import urlsplit

Fields = Sequence[tuple[str, str]]
Attributes = list[tuple[str, str | None]]
LEFT = frozenset({"form_token"})


@dataclass
class _Tag:
    """A start tag: where it stands, [start, end) in letters, and what is in it."""

    name: str
    attrs: dict[str, str | None]
    start: int
    end: int
    content_end: int = 0


@dataclass
class _Form:
    tag: _Tag
    around: list[_Tag]
    tags: list[_Tag] = field(default_factory=list)


class _Finder(HTMLParser):
    """Every form, with its fields and the folded parts it stands in."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=False)
        self.forms: list[_Form] = []
        self._lines = [0]
        for line in html.split("\n"):  # as the parser counts lines
            self._lines.append(self._lines[-1] + len(line) + 1)
        self._folded: list[_Tag] = []
        self._form: _Form | None = None
        self._area: _Tag | None = None
        self._select = ""
        self.feed(html)

    def _at(self) -> int:
        line, column = self.getpos()
        return self._lines[line - 1] + column

    def handle_starttag(self, tag: str, attrs: Attributes) -> None:
        start = self._at()
        made = _Tag(tag, dict(attrs), start, start + len(self.get_starttag_text() or ""))
        if tag == "details":
            self._folded.append(made)
        elif tag == "form":
            self._form = _Form(made, list(self._folded))
            self.forms.append(self._form)
        elif self._form is not None and tag in ("input", "textarea", "select", "option"):
            if tag == "select":
                self._select = made.attrs.get("name") or ""
            elif tag == "option":
                made.attrs["of"] = self._select
            elif tag == "textarea":
                self._area = made
            self._form.tags.append(made)

    def handle_endtag(self, tag: str) -> None:
        if tag == "details" and self._folded:
            self._folded.pop()
        elif tag == "form":
            self._form = None
        elif tag == "textarea" and self._area is not None:
            self._area.content_end, self._area = self._at(), None


def refill(html: str, action: str, fields: Fields, id: str = "unsent-form") -> tuple[str, bool]:
    """(the page, True) with the form of that address filled in and unfolded, a place to go to
    of that id before it; (html, False) where the page has none. Of several the one whose hidden fields agree most."""
    found = [
        form
        for form in _Finder(html).forms
        if urlsplit(form.tag.attrs.get("action") or "").path == action
        and (form.tag.attrs.get("method") or "").lower() == "post"
    ]
    if not found:
        return html, False
    form = max(found, key=lambda one: _agrees(one, fields))
    cuts: list[tuple[int, int, str]] = []
    for folded in form.around:
        cuts.append((folded.start, folded.end, _written("details", folded.attrs | {"open": None})))
    cuts.append((form.tag.start, form.tag.start, f'<span id="{escape(id)}"></span>'))
    left: dict[str, list[str]] = {}
    for name, value in fields:
        left.setdefault(name, []).append(value)
    for tag in form.tags:
        cuts += _filled(tag, left)
    for start, end, text in sorted(cuts, reverse=True):
        html = html[:start] + text + html[end:]
    return html, True


def _agrees(form: _Form, fields: Fields) -> int:
    """Hidden fields that say what was sent, less those that say something else."""
    sent = dict(fields)
    hidden = [
        tag.attrs
        for tag in form.tags
        if tag.attrs.get("type") == "hidden" and tag.attrs.get("name") not in LEFT
    ]
    return sum(
        1 if sent.get(one.get("name") or "") == (one.get("value") or "") else -1 for one in hidden
    )


def _filled(tag: _Tag, left: dict[str, list[str]]) -> list[tuple[int, int, str]]:
    """What to write instead of a field. left: values not used yet, by name."""
    name = tag.attrs.get("of" if tag.name == "option" else "name") or ""
    kind = (tag.attrs.get("type") or "text").lower()
    if (
        not name
        or name in LEFT
        or (tag.name == "input" and kind in ("submit", "button", "file", "password"))
    ):
        return []
    attrs = dict(tag.attrs)
    if tag.name == "option":
        attrs.pop("of")
        chosen = left.get(f"select {name}", [])
        return [_ticked(tag, attrs, "selected", bool(chosen) and attrs.get("value") == chosen[0])]
    if tag.name == "select":
        left[f"select {name}"] = [left[name].pop(0)] if left.get(name) else [""]
        return []
    if tag.name == "input" and kind in ("checkbox", "radio"):
        return [_ticked(tag, attrs, "checked", (attrs.get("value") or "on") in left.get(name, []))]
    value = left[name].pop(0) if left.get(name) else None
    if value is None:
        return []
    if tag.name == "textarea":
        return [(tag.end, tag.content_end, "\n" + escape(value))]
    return [(tag.start, tag.end, _written(tag.name, attrs | {"value": value}))]


def _ticked(tag: _Tag, attrs: dict[str, str | None], what: str, on: bool) -> tuple[int, int, str]:
    attrs.pop(what, None)
    return tag.start, tag.end, _written(tag.name, attrs | ({what: None} if on else {}))


def _written(name: str, attrs: dict[str, str | None]) -> str:
    parts = [
        escape(key) if value is None else f'{escape(key)}="{escape(value)}"'
        for key, value in attrs.items()
    ]
    return f"<{' '.join([name, *parts])}>"

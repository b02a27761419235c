"""A form as it was sent: its fields as text, and the second lock every session's forms carry."""

from __future__ import annotations

from fastapi import Request
from starlette.datastructures import FormData

from dashboard.problems import UNKEPT, Problem
from dashboard.unsent import Stale, unsent_of
from dashboard.viewers import TOKEN, Viewer
from fleet.bounds import keepable


class Posted:
    """Text fields of a form. Files are not taken."""

    def __init__(self, form: FormData) -> None:
        self._held = [(n, v) for n, v in form.multi_items() if isinstance(v, str)]

    def text(self, name: str, most: int = 300) -> str:
        """The field's last value without space around; '' where it was not sent."""
        return self.secret(name)[:most].strip()

    def secret(self, name: str) -> str:
        """The field's last value exactly as typed."""
        return next((v for n, v in reversed(self._held) if n == name), "")

    def every(self, name: str) -> list[str]:
        """Every value of a field that may be sent several times."""
        return [value for n, value in self._held if n == name]

    def flat(self) -> dict[str, str]:
        """Every field with its last value."""
        return dict(self._held)


async def read_form(request: Request, viewer: Viewer | None, fields_at_most: int = 60) -> Posted:
    """The form of this request. viewer: whose session it must be of; None: before there is one.

    Raises Stale where it was made for an older session of the same person, Problem 403 where it
    was not made for this one's, 422 where it cannot be read.
    """
    async with request.form(max_files=0, max_fields=fields_at_most) as form:
        posted = Posted(form)
    unkept = [n for n, v in form.multi_items() if not (isinstance(v, str) and keepable(n + v))]
    if unkept:
        raise Problem(422, f"A field cannot be taken. {UNKEPT}")
    if viewer is None:
        return posted
    if not viewer.sent_form(posted.secret(TOKEN)):
        unsent = unsent_of(request, form)
        if unsent is not None and viewer.session is not None and unsent.is_of(viewer.actor.person):
            raise Stale(unsent)
        raise Problem(
            403,
            "This form was not made for your present session, so nothing was changed. "
            "Open its page again and send it from there.",
        )
    request.app.state.services.unsent.sent(viewer, request.url.path)
    return posted

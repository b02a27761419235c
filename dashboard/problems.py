"""Errors as RFC 9457 problem details for programs and as a plain page for people."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import msgspec
import orjson
from starlette.responses import Response

from dashboard.views.contract import Form, View

PROBLEM = "application/problem+json"
UNKEPT = (
    "It holds a character that cannot be kept (a NUL, or half of a pair). Take it out and send "
    "it again."
)


class ProblemDocument(View, frozen=True, kw_only=True):
    """RFC 9457 problem details."""

    form = Form(name="ProblemOut")
    type: str
    title: str
    status: int
    detail: str
    instance: str


class Problem(Exception):
    """An answer that is not what was asked for. detail says what was wrong and what to do."""

    def __init__(self, status: int, detail: str, **more: Any) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.more = more


def wants_problem(path: str) -> bool:
    """Whether a path is read by programs: they get problem details, people a page."""
    if path == "/health" or path == "/metrics":
        return True
    return path.startswith(("/api/", "/charts/", "/events", "/static/"))


def title(status: int) -> str:
    """The usual words for a status."""
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return "Error"


def problem(status: int, detail: str, path: str, **more: Any) -> Response:
    """Problem details with type about:blank: title is the status's own."""
    body = ProblemDocument(
        type="about:blank", title=title(status), status=status, detail=detail, instance=path
    )
    whole = {**msgspec.structs.asdict(body), **more}
    return Response(orjson.dumps(whole), status, media_type=PROBLEM)


def plain_problem(status: int, detail: str, path: str) -> Response:
    """A refusal before any page exists: problem details for programs, plain text for people."""
    if wants_problem(path):
        return problem(status, detail, path)
    return Response(f"{title(status)}. {detail}\n", status, media_type="text/plain")

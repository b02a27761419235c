"""How a secret gets into a browser, in one place: the cookies of a session and of a share link: HttpOnly, SameSite=Lax, `__Host-` under TLS."""

from __future__ import annotations

from fastapi import Request
from starlette.responses import Response

from dashboard.request_context import cookie_name, host_of, services_of


def give(
    request: Request, response: Response, secret: str, keep_s: int | None, what: str = ""
) -> None:
    """Put a secret into the browser. keep_s None: until it is closed."""
    response.set_cookie(
        cookie_name(request, what),
        secret,
        max_age=keep_s,
        path="/",
        secure=services_of(request).door.secure(host_of(request)),
        httponly=True,
        samesite="lax",
    )


def take(request: Request, response: Response, what: str = "") -> None:
    """Take it out again."""
    response.delete_cookie(
        cookie_name(request, what),
        path="/",
        secure=services_of(request).door.secure(host_of(request)),
        httponly=True,
        samesite="lax",
    )

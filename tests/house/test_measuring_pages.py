"""What the browser tests measure is a page in its style, however late the style sheet comes."""

from __future__ import annotations

import asyncio

from browsers import PHONE, fits, opened, serving
from fastapi import FastAPI, Response
from playwright.sync_api import Browser

HEAD = (
    '<!doctype html><html lang="en"><title>Late</title><meta name="viewport" content="width=390">'
)


def late() -> FastAPI:
    """Two pages; the style sheet of the second comes after its content can be found."""
    app = FastAPI()

    @app.get("/")
    def first() -> Response:
        return Response(f'{HEAD}<a href="/second">On</a>', media_type="text/html")

    @app.get("/second")
    def second() -> Response:
        style = '<link rel="stylesheet" href="/late.css">'
        return Response(f'{HEAD}{style}<button class="btn">Here</button>', media_type="text/html")

    @app.get("/late.css")
    async def style() -> Response:
        await asyncio.sleep(0.5)
        return Response(".btn { min-width: 48px; min-height: 48px }", media_type="text/css")

    return app


def test_a_page_is_measured_in_its_style(browser: Browser) -> None:
    with serving(late()) as address, opened(browser, PHONE) as watched:
        watched.page.goto(address)
        watched.page.get_by_role("link", name="On").click()
        watched.page.get_by_role("button", name="Here").wait_for()
        fits(watched, phone=True)

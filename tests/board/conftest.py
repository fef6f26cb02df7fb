"""Boards, and a headless browser where there is one."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from importlib.util import find_spec
from shutil import which
from typing import Any

import pytest
from board_process import WAIT_MS, StartBoard, boards

CHROMIUM = which("chromium") or which("chromium-browser")


@pytest.fixture
def start_board() -> Iterator[StartBoard]:
    """Starts `guidance-svc board RECORDING`; ended at the end."""
    with boards() as start:
        yield start


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Headless Chromium of the system."""
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine (Debian: apt-get install chromium)")
    if find_spec("playwright") is None:
        pytest.skip("playwright is not installed (it is in the extra `test`)")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        yield chromium
        chromium.close()


OpenPage = Callable[..., Any]


@pytest.fixture
def open_page(browser: Any) -> Iterator[OpenPage]:
    """Opens a board in a page; a message on its console, an error or a request elsewhere fails the test."""
    heard: list[str] = []
    contexts: list[Any] = []

    def open_(url: str, width: int = 1440, height: int = 900, scheme: str = "light") -> Any:
        context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        page.on("console", lambda message: heard.append(f"console {message.type}: {message.text}"))
        page.on("pageerror", lambda error: heard.append(f"error: {error}"))
        page.on("dialog", lambda dialog: (heard.append(f"dialog: {dialog.message}"), dialog.dismiss()))
        page.on("request", lambda r: None if r.url.startswith(url) else heard.append(f"request elsewhere: {r.url}"))
        page.goto(url)
        return page

    yield open_
    for context in contexts:
        context.close()
    assert heard == []

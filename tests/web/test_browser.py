"""The pages in a real browser, over a real socket: what is seen, what the keyboard reaches, what axe has to say.

Debian's chromium, through Playwright; without either these are skipped, saying which is missing.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.web.made_pages import NOW, PASSWORD, Folder, make_folder
from watcher.clock import SteppedClock
from watcher.config import load_watcher
from watcher.config.pages_table import PagesConfig
from watcher.domain.site import Role
from watcher.web.server import pages_server

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

CHROMIUM = Path("/usr/bin/chromium")
PHONE, TABLET, DESKTOP = {"width": 390, "height": 844}, {"width": 820, "height": 1180}, {"width": 1280, "height": 900}


def _missing(what: str) -> None:
    if os.environ.get("CI"):
        pytest.fail(f"{what} is missing")
    pytest.skip(f"{what} is missing")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    if not CHROMIUM.exists():
        _missing(str(CHROMIUM))
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        _missing("playwright")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        yield opened
        opened.close()


@contextmanager
def served(folder: Folder) -> Iterator[str]:
    server = pages_server(load_watcher(folder.config), SteppedClock(NOW), PagesConfig(port=0))
    server.start()
    try:
        while server.port is None:
            assert server.lives()
        yield f"http://127.0.0.1:{server.port}"
    finally:
        server.stop()


@pytest.fixture(scope="module")
def open_pages(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Pages of a thousand sites, where nobody logs in."""
    with served(make_folder(tmp_path_factory.mktemp("many") / "watcher", sites=1000, more_open=60)) as address:
        yield address


@pytest.fixture
def known_pages(folder: Folder) -> Iterator[str]:
    folder.add("office", Role.INSTALLER)
    folder.add("ann", Role.OCCUPIER, "home-1")
    with served(folder) as address:
        yield address


@contextmanager
def page_in(browser: Browser, size: dict[str, int] = DESKTOP, dark: bool = False) -> Iterator[Page]:
    """A page without JavaScript of its own; what it says on the console or asks elsewhere fails the test."""
    context = browser.new_context(viewport=size, color_scheme="dark" if dark else "light")  # type: ignore[arg-type]
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("request", lambda asked: asked.url.startswith("http://127.0.0.1:") or complaints.append(asked.url))
    yield page
    context.close()
    refused = ("status of 401", "status of 404")
    assert [one for one in complaints if not one.startswith("data:") and not any(word in one for word in refused)] == []


def violations(page: Page) -> list[str]:
    """What axe finds against WCAG and good practice. Its script is let past the page's own rule against scripts."""
    import axe_playwright_python

    script = Path(axe_playwright_python.__file__).with_name("axe.min.js").read_text(encoding="utf-8")
    page.evaluate(script)
    found = page.evaluate("axe.run()")
    return [f"{one['id']}: {one['nodes'][0]['html'][:120]}" for one in found["violations"]]


@pytest.mark.parametrize(
    ("size", "dark"),
    [(PHONE, False), (TABLET, False), (DESKTOP, False), (PHONE, True)],
    ids=["phone", "tablet", "desktop", "phone in the dark"],
)
def test_every_page_fits_and_has_nothing_that_axe_holds_against_it(
    browser: Browser, known_pages: str, size: dict[str, int], dark: bool
) -> None:
    with page_in(browser, size, dark) as page:
        page.goto(f"{known_pages}/login")
        assert violations(page) == []
        page.fill("#name", "office")
        page.fill("#password", PASSWORD)
        page.press("#password", "Enter")
        display = page.request.get(f"{known_pages}/home/home-1").text().split('href="/home/home-1/display?token=')[1]
        for path in (
            "/sites", "/sites/home-2", "/sites/home-2/metering", "/home/home-1", "/home/home-2", "/home/home-1/reading",
            f"/home/home-1/display?token={display.partition(chr(34))[0]}",
        ):  # fmt: skip
            page.goto(known_pages + path)
            assert violations(page) == [], path
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert wide <= size["width"], f"{path} is {wide} wide"


def test_the_first_thing_a_home_reads_is_the_sentence(browser: Browser, open_pages: str) -> None:
    with page_in(browser, PHONE) as page:
        page.goto(f"{open_pages}/home/home-2")
        heading = page.locator("h1")
        assert heading.inner_text() == "One row of your solar panels gives no power."
        box = heading.bounding_box()
        assert box is not None
        assert box["y"] + box["height"] < PHONE["height"] / 2, "without scrolling"


def test_the_display_view_is_read_across_a_room_without_scrolling(browser: Browser, open_pages: str) -> None:
    with page_in(browser) as page:
        page.goto(f"{open_pages}/home/home-1/display")
        assert page.evaluate("document.documentElement.scrollHeight") <= DESKTOP["height"]
        sizes = page.eval_on_selector_all(
            ".big, .dial", "all => all.map(one => parseFloat(getComputedStyle(one).fontSize))"
        )
        # A letter of 1/200 of the distance is read with ease: 5 m from a screen 53 cm wide are 48 px (common practice).
        assert min(sizes) >= 48


def test_an_installer_finds_one_of_a_thousand_sites_with_the_keyboard_alone(browser: Browser, open_pages: str) -> None:
    with page_in(browser) as page:
        page.goto(f"{open_pages}/sites")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.textContent") == "To the main part"
        for _ in range(12):
            if page.evaluate("document.activeElement.id") == "q":
                break
            page.keyboard.press("Tab")
        outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert outline == "solid", "it is seen where one stands"
        page.keyboard.type("777 Test")
        page.keyboard.press("Enter")
        page.wait_for_url("**q=777**")
        page.get_by_role("link", name="777 Test Lane").focus()
        page.keyboard.press("Enter")
        page.wait_for_url("**/sites/home-777")
        assert page.locator("h1").inner_text() == "777 Test Lane"


def test_a_slip_in_a_reading_is_offered_back_and_taken_with_the_keyboard(browser: Browser, folder: Folder) -> None:
    from watcher.domain.instant import DAY_MS

    with folder.client(SteppedClock(NOW - 7 * DAY_MS)) as client:
        from tests.web.test_home import send

        send(client, "8765.9")
    with served(folder) as address, page_in(browser, PHONE) as page:
        page.goto(f"{address}/home/home-1/reading")
        page.focus("#value")
        page.keyboard.type("9885.9")
        page.keyboard.press("Enter")
        page.wait_for_url("**/reading/meter-1/**")
        assert page.locator("h1").inner_text() == "Did you mean 8,985.9?"
        assert violations(page) == []
        page.get_by_role("button", name="Yes, 8,985.9").focus()
        page.keyboard.press("Enter")
        assert page.get_by_role("status").inner_text() == "Thank you. The reading of 8,985.9 kWh is recorded."
        page.reload()
        assert page.get_by_role("status").count() == 1


def test_a_wrong_password_and_a_wrong_role_are_told_apart_from_the_right_ones(
    browser: Browser, known_pages: str
) -> None:
    with page_in(browser, PHONE) as page:
        page.goto(f"{known_pages}/home/home-1")
        page.fill("#name", "ann")
        page.fill("#password", "no such password")
        page.press("#password", "Enter")
        assert page.get_by_role("alert").inner_text() == "Name or password is not right."
        page.fill("#name", "ann")
        page.fill("#password", PASSWORD)
        page.press("#password", "Enter")
        page.wait_for_url("**/home/home-1")
        assert "All sites" not in page.locator("header").inner_text()
        page.goto(f"{known_pages}/sites")
        assert page.locator("h1").inner_text() == "There is no such page here."
        page.goto(f"{known_pages}/home/home-1")
        page.get_by_role("button", name="Log out ann").click()
        page.goto(f"{known_pages}/home/home-1")
        assert "/login" in page.url

"""The page in a real browser: Debian's Chromium, driven by Playwright. By default each screen is
seen small and light, and large and dark; at every size and in both with --long. The screenshots lie
in the run's temporary folder, or where STILLWELL_SCREENSHOTS says."""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from far_sides import Receiver
from page_tank import ACT, NAME, Served, lived, until, with_passphrases
from stillwell.page.access import Access, Role, access_file
from stillwell.page.site import now_ms

Make = Callable[..., Any]
HERE = f"/tank/{NAME}"
CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
SIZES = ((360, 740), (768, 1024), (1440, 900))
SCREENS = {
    "now": HERE,
    "night": f"{HERE}/night",
    "book": f"{HERE}/book",
    "machine": f"{HERE}/machine",
    "settings": f"{HERE}/machine/check",
    "devices": "/devices",
    "sign-in": "/sign-in",
    "not-there": "/nowhere",
}
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
LOST = "No connection since"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-dev-shm-usage"]
        )
        yield launched
        launched.close()


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tank with a day and a half behind it, and a passphrase."""
    made = lived(tmp_path_factory.mktemp("tank"))
    with_passphrases(made)
    return made


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = os.environ.get("STILLWELL_SCREENSHOTS")
    place = Path(folder) if folder else tmp_path_factory.mktemp("screenshots")
    place.mkdir(parents=True, exist_ok=True)
    return place


@pytest.fixture
def served(config: Path, free_port: int) -> Iterator[Served]:
    page = Served(config, free_port)
    yield page
    page.stop()


class Person:
    """Somebody at a browser, signed in; nothing that goes wrong on a page stays unseen."""

    def __init__(self, browser: Browser, base: str, config: Path, **of: Any) -> None:
        self.base = base
        self.context: BrowserContext = browser.new_context(base_url=base, **of)
        store = config.with_name("tank.db")
        cookie = Access(access_file(store)).sign_in(ACT, "phone", now_ms()) or ""
        self.context.add_cookies([{"name": "stillwell", "value": cookie, "url": base}])
        self.context.set_default_timeout(120_000)  # a busy machine; it only ends a hung test
        self.page: Page = self.context.new_page()
        self.wrong: list[str] = []
        self.foreign: list[str] = []
        self.page.on("console", self._hear)
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        self.page.on("request", self._see)

    def _hear(self, message: Any) -> None:
        known = "status of 404" in message.text and "/nowhere" in message.location["url"]
        if message.type in ("error", "warning") and not known:
            self.wrong.append(message.text)

    def _see(self, request: Any) -> None:
        if not request.url.startswith((self.base, "data:")):
            self.foreign.append(request.url)

    def opens(self, path: str) -> Page:
        self.page.goto(path, wait_until="load")
        return self.page

    def fits(self) -> bool:
        return bool(self.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"))

    def is_well(self) -> None:
        assert self.wrong == []
        assert self.foreign == []
        self.context.close()


def _violations(page: Page) -> list[str]:
    found = Axe().run(page, options=RULES).response["violations"]
    return [f"{v['id']}: {[n['html'][:120] for n in v['nodes']]}" for v in found]


UNFIT_ON_PAPER = """() => [...document.querySelectorAll('body, body *')].flatMap(e => {
  const box = e.getBoundingClientRect(), style = getComputedStyle(e);
  if (!e.checkVisibility() || !box.width || e.closest('.hidden,svg')) return [];
  const found = [];
  if (e.matches('nav,button,.button,form,input,select,canvas')) found.push('is of no use');
  const words = [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim());
  if (words && style.color !== 'rgb(0, 0, 0)') found.push('is not black');
  const [red, green, blue, alpha = 1] = style.backgroundColor.match(/[\\d.]+/g).map(Number);
  const dark = alpha && Math.min(red, green, blue) < 200 && !e.matches('.strip i');
  if (dark) found.push('is on a dark ground');
  const hides = style.overflowX !== 'visible' && e.scrollWidth > e.clientWidth + 1;
  if (hides || box.right > innerWidth + 1) found.push('is cut');
  return found.map(what => `${what}: ${e.outerHTML.slice(0, 90)}`);
})"""
PAPER = {"width": 718, "height": 1040}
"""A4 at 96 pixels an inch, without the margins that Chromium leaves."""


def _unfit_on_paper(page: Page) -> list[str]:
    """Returns what would be wrong on paper, and leaves the page as it is printed."""
    page.emulate_media(media="print")
    return list(page.evaluate(UNFIT_ON_PAPER))


class TestEveryScreen:
    @pytest.mark.parametrize(("width", "height"), SIZES)
    @pytest.mark.parametrize("theme", ["light", "dark"])
    def test_can_be_read_by_everybody_and_fits(
        self,
        browser: Browser,
        served: Served,
        config: Path,
        shots: Path,
        long_run: bool,
        theme: str,
        width: int,
        height: int,
    ) -> None:
        if not long_run and (theme, width) not in (("light", 360), ("dark", 1440)):
            pytest.skip("seen with --long")
        person = Person(
            browser,
            served.base,
            config,
            color_scheme=theme,
            viewport={"width": width, "height": height},
        )
        for name, path in SCREENS.items():
            page = person.opens(path)
            if name == "night":
                page.wait_for_selector(".chart canvas", state="attached")
            page.screenshot(path=shots / f"{name}-{width}-{theme}.png", full_page=True)
            assert person.fits(), (name, width)
            assert _violations(page) == [], (name, width, theme)
            assert page.title()
            assert page.locator("main h1").count() == 1
        person.is_well()

    def test_prints_black_on_white_without_buttons_and_whole(
        self, browser: Browser, served: Served, config: Path, shots: Path
    ) -> None:
        person = Person(browser, served.base, config, color_scheme="dark", viewport=PAPER)
        for name in ("now", "night", "book", "machine", "settings"):
            page = person.opens(SCREENS[name])
            if name == "night":
                page.wait_for_selector(".chart canvas", state="attached")
            shown = page.locator("h2").count()
            assert _unfit_on_paper(page) == [], name
            assert page.locator("figure svg:visible").count() == page.locator("figure svg").count()
            assert page.locator("h2:visible").count() >= shown // 2
            page.pdf(path=shots / f"{name}.pdf", format="A4")
            page.emulate_media(media="screen")
        person.is_well()

    def test_fits_with_letters_of_twice_the_size_and_is_used_by_keyboard(
        self, browser: Browser, served: Served, config: Path, shots: Path
    ) -> None:
        person = Person(browser, served.base, config, viewport={"width": 360, "height": 740})
        for name in ("now", "night", "book"):
            page = person.opens(SCREENS[name])
            page.evaluate("document.documentElement.style.fontSize = '34px'")
            page.screenshot(path=shots / f"{name}-large-letters.png", full_page=True)
            assert person.fits(), name
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.textContent") == "To the content"
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "main"
        small = page.evaluate(
            "[...document.querySelectorAll('button,.button,nav a,input:not([type=hidden]),select')]"
            ".map(e => e.getBoundingClientRect()).filter(r => r.height && r.height < 44).length"
        )
        assert small == 0
        person.is_well()


class TestUse:
    def test_a_note_is_written_and_struck_and_a_night_is_zoomed(
        self, browser: Browser, served: Served, config: Path
    ) -> None:
        person = Person(browser, served.base, config, viewport={"width": 360, "height": 740})
        page = person.opens(SCREENS["book"])
        page.get_by_label("How much").fill("0.4")
        page.get_by_label("Unit").fill("L")
        page.get_by_role("button", name="Note it").click()
        assert "Noted as entry" in page.get_by_role("status").inner_text()
        assert page.get_by_label("Unit").input_value() == "L"  # remembered
        number = re.findall(r"entry (\d+)", page.get_by_role("status").inner_text())[0]
        page.locator(f"summary[aria-label='Strike out entry {number}']").click()
        page.locator(f"input[name=entry][value='{number}'] + button").click()
        assert "struck out" in page.get_by_role("status").inner_text()
        page = person.opens(SCREENS["night"])
        page.wait_for_selector(".chart canvas")
        page.locator(".chart").first.scroll_into_view_if_needed()
        box = page.locator(".chart").first.bounding_box()
        assert box is not None
        labels = page.locator(".chart").first.locator(".dygraph-axis-label-x")
        before = labels.all_inner_texts()
        page.mouse.move(box["x"] + 100, box["y"] + 60)
        page.mouse.down()
        page.mouse.move(box["x"] + 200, box["y"] + 60, steps=4)
        page.mouse.up()
        page.wait_for_timeout(300)
        assert labels.all_inner_texts() != before
        person.is_well()

    def test_without_a_script_everything_is_there(
        self, browser: Browser, served: Served, config: Path, shots: Path
    ) -> None:
        person = Person(
            browser,
            served.base,
            config,
            java_script_enabled=False,
            viewport={"width": 360, "height": 740},
        )
        page = person.opens(HERE)
        assert "°C" in page.inner_text("main")
        page.screenshot(path=shots / "now-without-script.png", full_page=True)
        page = person.opens(SCREENS["night"])
        assert page.locator("figure.picture svg").count() >= 2
        page.screenshot(path=shots / "night-without-script.png", full_page=True)
        page = person.opens(SCREENS["book"])
        page.get_by_role("button", name="Fed").click()
        assert "Noted as entry" in page.get_by_role("status").inner_text()
        person.is_well()

    def test_a_lost_connection_shows_at_once_and_is_found_again(
        self, browser: Browser, config: Path, free_port: int
    ) -> None:
        served = Served(config, free_port)
        person = Person(browser, served.base, config, viewport={"width": 360, "height": 740})
        page = person.opens(HERE)
        lost = page.locator("#lost")
        assert lost.is_hidden()
        served.stop()
        lost.wait_for(state="visible")
        assert lost.inner_text().startswith(LOST)
        served = Served(config, free_port)
        try:
            lost.wait_for(state="hidden", timeout=60_000)
        finally:
            person.context.close()
            served.stop()


class TestTheWholeWay:
    def test_from_a_cold_heater_to_a_thumb_and_no_further(
        self,
        browser: Browser,
        daemon: Make,
        fault: Make,
        broker: Make,
        listen: Make,
        hook: Receiver,
        free_port: int,
        shots: Path,
    ) -> None:
        """A heater fails, a message comes with a link, the link is opened and its button pressed:
        the broker has the alarm as answered, and nobody is told again."""
        mosquitto = broker()
        base = f"http://127.0.0.1:{free_port}"
        more = (
            f'[page]\naddress = "{base}"\n[sink.niamh]\nkind = "push"\n'
            f'url = "ntfy://127.0.0.1:{hook.port}/tank"\n'
        )
        tank = daemon(faults=[fault("not-heating", -330)], port=mosquitto.port, more=more)
        access = Access(access_file(tank.store))
        access.set_passphrase(Role.ACT, ACT)
        states = listen(mosquitto.port, f"stillwell/{NAME}/alarm/water.low")
        tank.start(speed=60)

        def links() -> list[str]:
            found = (re.search(rf"{re.escape(base)}/answer/\S+", body) for body in _bodies(hook))
            return [one[0] for one in found if one]

        tank.until(links, "the message comes, with a link")
        served = Served(tank.config, free_port)
        try:
            context = browser.new_context(viewport={"width": 360, "height": 740})
            page = context.new_page()
            (link, *_) = links()
            page.goto(link)
            page.goto(link)  # as often as anybody likes: it changes nothing
            page.screenshot(path=shots / "answer.png", full_page=True)
            assert _violations(page) == []
            assert "°C" in page.inner_text(".card")
            tank.until(lambda: states.heard, "the broker keeps the alarm")
            assert json.loads(states.heard[-1].payload)["state"] == "unacknowledged"
            plain = browser.new_context(java_script_enabled=False).new_page()
            plain.goto(link)
            assert "°C" in plain.inner_text(".card")
            plain.get_by_role("button", name="I see to it").click()
            assert plain.locator("h1").inner_text() == "Done", plain.inner_text("main")
            plain.screenshot(path=shots / "answered.png", full_page=True)
            plain.context.close()
            tank.until(
                lambda: json.loads(states.heard[-1].payload)["state"] == "acknowledged",
                "the broker has it as answered",
            )
            page.goto(link)
            assert page.get_by_role("button", name="I see to it").count() == 0
            assert "used already" in page.inner_text("main")

            at_ms = tank.readings("water-a")[-1].moment.utc_ms
            told = [n for n in _kinds(tank) if n == "repeated"]
            long_enough = at_ms + 40 * 60_000  # it would have been said again after 10 and 30 min
            tank.until(
                lambda: tank.readings("water-a")[-1].moment.utc_ms > long_enough, "time passes"
            )
            assert [n for n in _kinds(tank) if n == "repeated"] == told

            store = Access(access_file(tank.store))
            cookie = store.sign_in(ACT, "phone", now_ms()) or ""
            context.add_cookies([{"name": "stillwell", "value": cookie, "url": base}])
            page.goto(f"{base}{HERE}")
            assert "somebody sees to it" in page.inner_text(".card")
            page.screenshot(path=shots / "now-with-alarm.png", full_page=True)
            assert _violations(page) == []
            assert _unfit_on_paper(page) == []
            page.emulate_media(media="screen")
            for press, shows in (
                ("I work at the tank: quiet for 1 h", "The work is over"),
                ("The work is over", "I work at the tank: quiet for 1 h"),
                ("Quiet for 2 h", "Let it ring again"),
                ("Let it ring again", "Quiet for 2 h"),
            ):
                page.get_by_role("button", name=press).first.click()
                page.get_by_role("button", name=shows).first.wait_for()
            page.goto(f"{base}{SCREENS['machine']}")
            page.get_by_role("button", name="Start a drill").click()
            tank.until(lambda: any("Drill" in body for body in _bodies(hook)), "the drill comes")
            page.goto(f"{base}{HERE}")
            tank.stop()
            until(
                lambda: (
                    "no tank" in page.inner_text("#now .line").lower()
                    or "not watching" in page.inner_text("#now .line").lower()
                ),
                "the page says so",
            )
            assert _unfit_on_paper(page) == []
            page.emulate_media(media="screen")
            page.screenshot(path=shots / "now-unwatched.png", full_page=True)
            tank.start(speed=60)
            until(lambda: "NOT WATCHED" not in page.title(), "it says that the daemon is back")
            context.close()
        finally:
            served.stop()


def _kinds(tank: Any) -> list[str]:
    with tank.reader() as reader:
        return [n.kind for n in reader.notices() if n.subject == "water.low"]


def _bodies(hook: Receiver) -> list[str]:
    """Title and text of what has come to the phone; a morning's picture comes without them."""
    came = (bytes(asked.body) for asked in list(hook.asked))
    sent = (json.loads(body) for body in came if body.startswith(b"{"))
    return [f"{one.get('title', '')}\n{one['message']}" for one in sent]

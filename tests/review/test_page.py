"""The page in a browser: Chromium without a screen, as an operator's hands would use it."""

import re
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import urlparse

import pytest
from playwright.sync_api import expect
from review_fixtures import chromium, served

from flashpan.demo import make_demo_night
from flashpan.night.htmlreport import write_html_report
from flashpan.night.record import NightRecord

SIZES = {"laptop": (1366, 768), "tablet": (1024, 768), "upright tablet": (768, 1024)}


@pytest.fixture(scope="module")
def browser():
    """The system's Chromium; none is downloaded."""
    expect.set_options(timeout=120_000)  # a busy machine is no fault of the page
    with chromium() as opened:
        yield opened


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The night that the demo makes."""
    return make_demo_night(tmp_path_factory.mktemp("demo"), seed=1)


class Watched:
    """A page, and all that it asked for and complained of."""

    def __init__(self, browser, size=SIZES["laptop"], **more):
        width, height = size
        self.context = browser.new_context(viewport={"width": width, "height": height}, **more)
        self.context.set_default_timeout(120_000)
        self.page = self.context.new_page()
        self.asked, self.complaints = [], []
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("console", self._heard)

    def _heard(self, message):
        if message.type in ("error", "warning"):
            self.complaints.append(message.text)

    def close(self, host):
        self.context.close()
        assert self.complaints == []
        foreign = [url for url in self.asked if urlparse(url).netloc not in (host, "")]
        assert foreign == []


def faults_in(page):
    """What axe-core, by WCAG 2.1 A and AA and its own rules, finds wrong."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page, options={"preload": False})  # else it fetches style sheets
    return [
        (fault["id"], [node["target"] for node in fault["nodes"]])
        for fault in found.response["violations"]
    ]


def fits(page):
    """Whether nothing reaches beyond the right edge."""
    return page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def frame_shown(page, frame=None):
    """Wait for a frame, and say which one is shown."""
    wanted = ".film img[data-frame]" if frame is None else f'.film img[data-frame="{frame}"]'
    page.wait_for_selector(wanted)
    return int(page.get_attribute(".film img", "data-frame"))


def test_a_night_is_reviewed_from_beginning_to_end(browser, demo):
    with served(demo) as (client, address):
        watched = Watched(browser)
        page = watched.page
        page.goto(address)
        page.wait_for_selector(".row")
        assert "token" not in page.url
        assert page.locator(".row").count() == sum(
            len(take["events"]) for take in client.json("/api/night")["takes"]
        )
        assert faults_in(page) == []

        # sorted by strength, the strongest is opened from the keyboard
        page.select_option("select[name=sort]", "strength")
        page.keyboard.press("Escape")
        page.keyboard.press("ArrowDown")
        name = page.locator(".row").first.get_attribute("data-key")
        take_id, number = map(int, name.split("/"))
        page.keyboard.press("Enter")

        def take():
            return next(t for t in client.json("/api/night")["takes"] if t["id"] == take_id)

        def event():
            return take()["events"][number]

        found = event()
        assert frame_shown(page) == found["peak"]
        page.keyboard.press("ArrowRight")
        frame_shown(page, found["peak"] + 1)
        page.keyboard.press("ArrowLeft")
        frame_shown(page, found["peak"])
        page.keyboard.press("Home")
        frame_shown(page, found["onset"])
        page.keyboard.press("Shift+ArrowRight")
        frame_shown(page, found["onset"] + 10)
        page.keyboard.press("Shift+ArrowLeft")
        frame_shown(page, found["onset"])
        page.keyboard.press("End")
        frame_shown(page, found["end"])
        assert page.locator(".clocks dd").first.inner_text() == str(found["end"])
        assert page.evaluate("document.querySelector('.film img').naturalWidth") == 128
        assert faults_in(page) == []

        _judge(page, event)
        before, after = _drag_in(page, take, event()["range"])
        assert after[0] > before[0]
        _draw_and_search(page, take)
        _cut_again(page, take)
        kept = take()

        page.reload()
        page.wait_for_selector(".film img[data-frame]")
        again = next(t for t in client.json("/api/night")["takes"] if t["id"] == take_id)
        assert again == kept
        assert page.locator(".side li").count() == 1
        page.keyboard.press("Escape")
        page.wait_for_selector(".row")
        assert page.locator(".row.circled").count() == 1
        watched.close(client.host)


def _judge(page, event):
    """Circle, reject, circle, note, undo, redo."""
    page.keyboard.press("c")
    page.wait_for_selector(".side section.circled")
    assert event()["mark"] == "circled"
    page.keyboard.press("r")
    page.wait_for_selector(".side section.rejected")
    assert event()["mark"] == "rejected"
    page.keyboard.press("z")
    page.wait_for_selector(".side section.circled")
    assert event()["mark"] == "circled"
    page.keyboard.press("n")
    page.keyboard.type("crz: best of the night <i>")
    page.keyboard.press("Escape")
    expect(page.locator("#undo")).to_have_attribute("title", re.compile("note"))
    assert event()["note"] == "crz: best of the night <i>"
    page.click("#undo")
    expect(page.locator("#redo")).to_be_enabled()
    assert event()["note"] == ""
    page.keyboard.press("y")
    expect(page.locator("#redo")).to_be_disabled()
    assert event()["note"] == "crz: best of the night <i>"


def _drag_in(page, take, number):
    """Drag the in-point to the right with the pointer, then nudge it with a key."""
    before = take()["ranges"][number]["wanted"]
    handle = page.locator(".handle.in").bounding_box()
    x, y = handle["x"] + handle["width"] / 2, handle["y"] + handle["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 15, y, steps=4)
    page.mouse.move(x + 30, y, steps=4)
    page.mouse.up()
    expect(page.locator("#undo")).to_have_attribute("title", re.compile("in and out"))
    dragged = take()["ranges"][number]["wanted"]
    page.locator(".handle.in").focus()
    with page.expect_response(re.compile(rf"/ranges/{number}$")):
        page.keyboard.press("ArrowRight")
    nudged = take()["ranges"][number]["wanted"]
    assert nudged == [dragged[0] + 1, dragged[1]]
    return before, nudged


def _draw_and_search(page, take):
    """Draw an ignored region on the frame, and search the take with it."""
    page.locator("main").focus()
    page.keyboard.press("i")
    page.wait_for_selector(".screen.draws")
    film = page.locator(".film").bounding_box()
    page.mouse.move(film["x"] + 3, film["y"] + 3)
    page.mouse.down()
    page.mouse.move(film["x"] + film["width"] / 16, film["y"] + film["height"] / 12, steps=4)
    page.mouse.up()
    page.wait_for_selector(".side li")
    region = take()["regions"][0]
    assert region["role"] == "ignore"
    assert (region["width"], region["height"]) == pytest.approx((7, 7), abs=2)
    assert take()["needs_rerun"]
    page.click("[data-part=search]")
    expect(page.locator("#said, #trouble").filter(has_text="Search ")).to_contain_text(
        "Search done", timeout=280_000
    )
    assert not take()["needs_rerun"]


def _cut_again(page, take):
    """Begin the range where the frame is, and cut it again."""
    page.wait_for_selector(".film img[data-frame]")
    page.locator("main").focus()
    page.keyboard.press("Home")
    first = frame_shown(page, page.locator(".clocks dd").first.inner_text())
    with page.expect_response(re.compile(r"/ranges/\d+$")):
        page.keyboard.press("b")
    page.keyboard.press("k")
    expect(page.locator("#said, #trouble").filter(has_text="Cut ")).to_contain_text(
        "Cut done", timeout=280_000
    )
    clips = [one["clip"]["frames"] for one in take()["ranges"] if one["clip"]]
    assert first in [clip[0] for clip in clips]


@pytest.mark.parametrize("size", SIZES)
def test_fits_the_screen_and_is_accessible(browser, small_night, size):
    with served(small_night / "night") as (client, address):
        watched = Watched(browser, SIZES[size], has_touch=size != "laptop")
        page = watched.page
        page.goto(address)
        page.wait_for_selector(".row")
        assert fits(page)
        small = page.eval_on_selector_all(
            "button, select, input",
            "all => all.filter(one => one.offsetParent && one.offsetHeight < 44).length",
        )
        assert small == 0
        page.click("#help")
        assert faults_in(page) == []
        page.click("#help")  # the keys lie over the page
        page.click(".row-number >> nth=0")
        frame_shown(page)
        assert fits(page)
        assert faults_in(page) == []
        if size == "laptop":  # frame, scores and marks at once, without scrolling
            for part in (".film", ".lanes", "[data-part=circled]", "[data-part=In]"):
                box = page.locator(part).bounding_box()
                assert box["y"] + box["height"] <= 768
        watched.close(client.host)


def test_the_keyboard_reaches_everything_in_order(browser, small_night):
    with served(small_night / "night") as (client, address):
        watched = Watched(browser)
        page = watched.page
        page.goto(address)
        page.wait_for_selector(".row")
        page.click(".row-number >> nth=0")
        frame_shown(page)
        page.locator("main").focus()
        reached = []
        for _ in range(40):
            page.keyboard.press("Tab")
            reached.append(
                page.evaluate(
                    "document.activeElement.getAttribute('aria-label')"
                    " || document.activeElement.dataset.part || document.activeElement.innerText"
                )
            )
        wanted = ["A frame back", "A frame on", "In: first frame kept", "circled", "note", "In"]
        places = [reached.index(name) for name in wanted]
        assert places == sorted(places)
        watched.close(client.host)


class _Elsewhere(BaseHTTPRequestHandler):
    """A page of somebody else's, on the same machine."""

    def do_GET(self):
        self.send_response(200)
        self.send_header("content-type", "text/html")
        self.end_headers()
        self.wfile.write(b"<title>elsewhere</title>")

    def log_message(self, *words):
        pass


@pytest.fixture
def elsewhere():
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Elsewhere)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}/"
    server.shutdown()
    server.server_close()


def test_another_sites_page_gets_nothing(browser, night, elsewhere):
    """Ports do not divide cookies, so that the browser sends ours along; it must not help."""
    with served(night) as (client, address):
        client.post(f"/api/takes/{client.take('spark')['id']}/events/0/mark", {"mark": "circled"})
        context = browser.new_context()
        context.new_page().goto(address)
        evil = context.new_page()
        evil.goto(elsewhere)
        said = evil.evaluate(
            """async (host) => {
                const send = (path, more) => fetch(`http://${host}${path}`, {
                    credentials: 'include', ...more,
                }).then((answer) => answer.status, () => 'refused');
                const json = { 'content-type': 'application/json' };
                const form = { method: 'POST', body: '{}' };
                const image = new Promise((resolve) => {
                    const one = new Image();
                    one.onload = () => resolve('seen');
                    one.onerror = () => resolve('refused');
                    one.src = `http://${host}/api/takes/1/frames/50`;
                });
                return [
                    await send('/api/night', {}),
                    await send('/api/undo', { ...form, headers: json }),
                    await send('/api/undo', { ...form, mode: 'no-cors' }),
                    await image,
                ];
            }""",
            client.host,
        )
        assert set(said) <= {"refused", 0}
        assert client.json("/api/night")["undo"] is not None
        context.close()


def test_the_report_opens_from_disk(browser, demo, tmp_path):
    with NightRecord.read(demo) as record:
        index = write_html_report(record, tmp_path / "report")
    moved = tmp_path / "elsewhere"
    index.parent.rename(moved)
    watched = Watched(browser)
    page = watched.page
    page.goto((moved / "index.html").as_uri())
    assert page.locator(".event").count() > 3
    for size in SIZES.values():
        page.set_viewport_size({"width": size[0], "height": size[1]})
        assert fits(page)
    page.evaluate("document.querySelectorAll('img').forEach(one => one.loading = 'eager')")
    page.wait_for_load_state("networkidle")
    gone = "[...document.images].filter(one => !(one.complete && one.naturalWidth)).length"
    assert page.evaluate(gone) == 0
    assert faults_in(page) == []
    page.click("label[for=circled]")
    shown = page.eval_on_selector_all(".event", "all => all.filter(one => one.offsetParent).length")
    assert shown == page.locator(".event.circled").count()
    assert all(url.startswith("file:") for url in watched.asked)
    watched.close("")

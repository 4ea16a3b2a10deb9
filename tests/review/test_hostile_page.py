"""Somebody else's page, open in the same browser, gets nothing from a review and changes nothing.

The browser is Chromium, and has the review open with its cookie.  The hostile page comes from
another port of this machine (the same site, so that its requests may bring cookies), from another
name that leads to this machine, and from a name that leads to the review's own port (DNS
rebinding).
"""

import json
import threading
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest
from playwright.sync_api import Error
from review_fixtures import chromium, served

from flashpan.night.record import NightRecord

PAGE = "<!doctype html><title>hostile</title><body></body>"
NAMES = "MAP evil.test 127.0.0.1, MAP rebound.test 127.0.0.1"


@pytest.fixture(scope="module")
def browser():
    """The system's Chromium, in which two names of others lead to this machine."""
    with chromium(f"--host-resolver-rules={NAMES}") as opened:
        yield opened


class Hostile(BaseHTTPRequestHandler):
    """Serves an empty page to whoever asks."""

    def do_GET(self):
        self.send_response(200)
        self.send_header("content-type", "text/html")
        self.end_headers()
        self.wfile.write(PAGE.encode())

    def log_message(self, *words):
        """Say nothing."""


@contextmanager
def hostile_server():
    server = ThreadingHTTPServer(("127.0.0.1", 0), Hostile)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()


@pytest.fixture
def at_work(night, browser):
    """A review that is open in the browser, and a page of another origin beside it."""
    with served(night) as (client, address), hostile_server() as port:
        context = browser.new_context()
        context.set_default_timeout(60_000)
        ours = context.new_page()
        ours.goto(address)
        ours.wait_for_selector("text=spark")
        yield context, client, port
        context.close()


def state(client, night):
    with NightRecord.read(night) as record:
        marks = [(event.take_id, event.number, event.mark, event.note) for event in record.events()]
    return marks, client.json("/api/tasks")


GET = """async ([url, how]) => {
  try {
    const answer = await fetch(url, how);
    return {type: answer.type, status: answer.status, text: await answer.text()};
  } catch (error) { return {error: String(error)}; }
}"""
LOADS = """([tag, url]) => new Promise(done => {
  const one = document.createElement(tag);
  one.onload = () => done("loaded"); one.onerror = () => done("refused");
  one[tag === "link" ? "href" : tag === "object" ? "data" : "src"] = url;
  if (tag === "link") one.rel = "stylesheet";
  document.body.append(one);
  setTimeout(() => done("nothing"), 8000);
})"""
SOCKET = """url => new Promise(done => {
  const one = new WebSocket(url);
  one.onopen = () => done("open"); one.onerror = () => done("refused");
  setTimeout(() => done("nothing"), 8000);
})"""
FORM = """([url, kind, body]) => {
  const frame = document.createElement("iframe"); frame.name = "sink";
  const form = document.createElement("form");
  Object.assign(form, {action: url, method: "post", enctype: kind, target: "sink"});
  const field = document.createElement("input");
  field.name = body; field.value = ""; form.append(field);
  document.body.append(frame, form); form.submit();
  return new Promise(done => setTimeout(done, 700));
}"""
FRAME = """url => new Promise(done => {
  const frame = document.createElement("iframe");
  frame.src = url; document.body.append(frame);
  setTimeout(() => {
    let seen = "another origin";
    try { seen = frame.contentDocument ? frame.contentDocument.body.innerText : seen; }
    catch (error) { seen = "another origin"; }
    done([seen, frame.contentWindow.length]);
  }, 1500);
})"""
WINDOW = """url => new Promise(done => {
  const other = window.open(url);
  setTimeout(() => {
    let seen = "nothing";
    try { seen = other && other.document.body.innerText; } catch (error) { seen = "refused"; }
    done([seen, Boolean(other && !other.closed && other.location)]);
  }, 1500);
})"""


@pytest.mark.parametrize("name", ["127.0.0.1", "localhost", "evil.test"])
def test_a_page_of_another_origin_reads_and_changes_nothing(at_work, night, name):
    context, client, port = at_work
    before, review = state(client, night), f"http://{client.host}"
    page = context.new_page()
    page.goto(f"http://{name}:{port}/")
    mark = json.dumps({"mark": "circled"})

    for path in ("/api/night", "/", "/review.js", "/api/takes/1/frames/50"):
        for how in ({}, {"credentials": "include"}, {"mode": "no-cors", "credentials": "include"}):
            got = page.evaluate(GET, [review + path, how])
            assert got.get("text", "") == "", (path, how, got)
            assert got.get("type", "opaque") == "opaque"
    for kind in ("application/json", "text/plain", "application/x-www-form-urlencoded"):
        for mode in ("cors", "no-cors"):
            how = {"method": "POST", "body": mark, "mode": mode, "credentials": "include"}
            how["headers"] = {"Content-Type": kind}
            got = page.evaluate(GET, [f"{review}/api/takes/1/events/0/mark", how])
            assert got.get("text", "") == ""
    for tag, path in (
        ("script", "/review.js"),
        ("script", "/api/night"),
        ("img", "/api/takes/1/frames/50"),
        ("link", "/review.css"),
        ("object", "/api/night"),
    ):
        assert page.evaluate(LOADS, [tag, review + path]) != "loaded", (tag, path)
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data"):
        page.evaluate(FORM, [f"{review}/api/takes/1/events/0/mark", kind, mark])
    assert page.evaluate(SOCKET, f"ws://{client.host}/api/night") != "open"
    assert state(client, night) == before


def test_the_reviews_own_page_may_do_all_of_that(at_work, night):
    """Else the refusals above would say nothing."""
    context, client, _ = at_work
    before, ours = state(client, night), context.pages[0]
    assert "spark" in ours.evaluate(GET, ["/api/night", {}])["text"]
    assert ours.evaluate(LOADS, ["img", "/api/takes/1/frames/50"]) == "loaded"
    how = {"method": "POST", "body": json.dumps({"mark": "circled"})}
    how["headers"] = {"Content-Type": "application/json"}
    assert ours.evaluate(GET, ["/api/takes/1/events/0/mark", how])["status"] == 200
    assert state(client, night) != before


def test_it_can_neither_be_framed_nor_looked_into(at_work, night):
    context, client, port = at_work
    before = state(client, night)
    page = context.new_page()
    page.goto(f"http://127.0.0.1:{port}/")
    seen, n_inside = page.evaluate(FRAME, f"http://{client.host}/")
    assert "spark" not in seen
    assert n_inside == 0
    seen, _ = page.evaluate(WINDOW, f"http://{client.host}/")
    assert "spark" not in (seen or "")
    assert state(client, night) == before


def test_a_guessed_token_opens_nothing(at_work, browser):
    _, client, _ = at_work
    stranger = browser.new_context()
    try:
        page = stranger.new_page()
        for query in ("?token=guess", "?token=", "", "?token=" + "a" * 43):
            answer = page.goto(f"http://{client.host}/{query}")
            assert answer.status == 403
        assert stranger.cookies() == []
    finally:
        stranger.close()


def test_a_name_that_leads_to_the_reviews_own_port_gets_nothing(at_work, night):
    """DNS rebinding: to the browser, review and hostile page are then of one origin."""
    context, client, _ = at_work
    before = state(client, night)
    page = context.new_page()
    answer = page.goto(f"http://rebound.test:{client.port}/")
    assert answer.status == 421
    assert "spark" not in page.content()
    got = page.evaluate(GET, ["/api/night", {"credentials": "include"}])
    assert (got["status"], "spark" in got["text"]) == (421, False)
    how = {"method": "POST", "body": "{}", "headers": {"Content-Type": "application/json"}}
    assert page.evaluate(GET, ["/api/undo", how])["status"] == 421
    with pytest.raises(Error):  # nor by a name that nobody has
        page.goto(f"http://nobody.invalid:{client.port}/")
    assert state(client, night) == before


def test_names_in_the_page_are_text(at_work, night):
    """What a take is called, and what is noted of it, runs nothing in the page."""
    context, client, _ = at_work
    take = client.take("spark")
    words = "<img src=x onerror=document.title='owned'><script>document.title='owned'</script>"
    assert client.post(f"/api/takes/{take['id']}/events/0/note", {"note": words})[0] == 200
    page = context.new_page()
    page.goto(f"http://{client.host}/")
    page.wait_for_selector("text=spark")
    page.wait_for_timeout(500)
    assert page.title() != "owned"
    assert page.evaluate("document.querySelectorAll('img[src=x]').length") == 0

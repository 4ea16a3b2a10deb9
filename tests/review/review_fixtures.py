"""A server on a night, and a client that asks as the page does."""

import http.client
import json
import os
import shutil
import threading
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

from flashpan.review.server import listening, prepared

TOKEN = "the-token-of-these-tests"


class Client:
    """Asks as the page does."""

    def __init__(self, port):
        self.port, self.host = port, f"127.0.0.1:{port}"
        self.cookie = f"flashpan_{port}={TOKEN}"

    def ask(self, method, path, body=None, **headers):
        """Status, headers and body; the path goes out as it is."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        said = {"Host": self.host, "Cookie": self.cookie} | headers
        if method == "POST":
            body = b"{}" if body is None else body
            said = {"Origin": f"http://{self.host}", "Content-Type": "application/json"} | said
            said["Content-Length"] = str(len(body))
        for name, value in said.items():
            if value is not None:
                connection.putheader(name.replace("_", "-"), value)
        connection.endheaders(body)
        answer = connection.getresponse()
        try:
            return answer.status, dict(answer.getheaders()), answer.read()
        finally:
            connection.close()

    def get(self, path, **headers):
        return self.ask("GET", path, **headers)

    def json(self, path):
        status, _, body = self.get(path)
        assert status == 200, body
        return json.loads(body)

    def post(self, path, body=None, **headers):
        """Status, and the answer where it is JSON, else its text."""
        status, _, answer = self.ask("POST", path, json.dumps(body or {}).encode(), **headers)
        return status, json.loads(answer) if status == 200 else answer.decode()

    def take(self, name):
        return next(one for one in self.json("/api/night")["takes"] if one["name"] == name)

    def done(self, task):
        """Wait for a task; returns it when it has ended."""
        until = time.monotonic() + 300
        while time.monotonic() < until:
            now = next(one for one in self.json("/api/tasks") if one["id"] == task["id"])
            if now["state"] in ("done", "failed"):
                return now
            time.sleep(0.1)
        raise AssertionError("it never ended")


@contextmanager
def served(dest):
    """A server on a night, in a thread of its own."""
    listener = listening("127.0.0.1", 0)
    port = listener.getsockname()[1]
    server, address = prepared(Path(dest), host="127.0.0.1", port=port, token=TOKEN)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    try:
        yield Client(port), address
    finally:
        server.should_exit = True
        thread.join(30)
        listener.close()


@contextmanager
def chromium(*args):
    """The system's Chromium without a screen; none is downloaded."""
    from playwright.sync_api import sync_playwright

    path = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
    if path is None:
        missing = "there is no chromium: apt-get install chromium"
        assert not os.environ.get("FLASHPAN_REQUIRE_BROWSER"), missing
        pytest.skip(missing)
    # Chromium does not run as root in its own sandbox
    sandbox = ["--no-sandbox"] if os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=[*args, *sandbox])
        yield opened
        opened.close()

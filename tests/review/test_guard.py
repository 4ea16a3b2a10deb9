"""Who is let in, and what is refused before anything is asked."""

import asyncio

import pytest

from flashpan.errors import UsageError
from flashpan.review.guard import (
    Guard,
    checked_token,
    is_loopback,
    names_of,
    new_token,
    refuse_wildcard,
)

TOKEN = "a-token-of-this-test"
HOST = "127.0.0.1:8400"
COOKIE = ("cookie", f"flashpan_8400={TOKEN}")
OURS = ("origin", f"http://{HOST}")
JSON = ("content-type", "application/json")


async def _inner(scope, receive, send):
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"in"})


def ask(*headers, method="GET", path="/api/night", query="", host=HOST):
    """Status and headers of an answer; a request as the server hands it on."""
    guard = Guard(_inner, token=TOKEN, names=names_of("127.0.0.1", 8400), cookie="flashpan_8400")
    pairs = [*([("host", host)] if host is not None else []), *headers]
    scope = {
        "type": "http",
        "method": method,
        "path": path,
        "query_string": query.encode(),
        "headers": [(name.encode(), value.encode()) for name, value in pairs],
    }
    said = []

    async def send(message):
        said.append(message)

    asyncio.run(guard(scope, None, send))
    return said[0]["status"], {name.decode(): value.decode() for name, value in said[0]["headers"]}


def post(*headers, **more):
    return ask(*headers, method="POST", path="/api/undo", **more)


class TestToken:
    def test_with_the_cookie_one_is_in(self):
        assert ask(COOKIE)[0] == 200

    @pytest.mark.parametrize(
        "headers",
        [
            [],
            [("cookie", "flashpan_8400=wrong")],
            [("cookie", "flashpan_8400=")],
            [("cookie", f"flashpan_8401={TOKEN}")],
            [("cookie", f"flashpan_8400={TOKEN}x")],
            [("cookie", "\x00=;;;=")],
            [("authorization", TOKEN)],
        ],
    )
    @pytest.mark.parametrize("path", ["/", "/api/night", "/review.css", "/nothing"])
    def test_without_it_nothing_is_shown(self, headers, path):
        assert ask(*headers, path=path)[0] == 403

    def test_the_address_becomes_a_cookie_that_no_script_and_no_other_site_has(self):
        status, headers = ask(path="/", query=f"token={TOKEN}")
        assert (status, headers["location"]) == (303, "/")
        assert headers["set-cookie"] == (
            f"flashpan_8400={TOKEN}; Path=/; HttpOnly; SameSite=Strict"
        )
        assert headers["referrer-policy"] == "no-referrer"

    @pytest.mark.parametrize(
        "query", ["token=wrong", "token=", f"token={TOKEN}&token=x", f"Token={TOKEN}", "token"]
    )
    def test_a_wrong_address(self, query):
        status, headers = ask(path="/", query=query)
        assert status == 403
        assert "set-cookie" not in headers

    def test_the_token_counts_at_the_front_door_only(self):
        assert ask(path="/api/night", query=f"token={TOKEN}")[0] == 403
        assert ask(path="/", query=f"token={TOKEN}", method="POST")[0] == 403

    def test_two_are_never_alike(self):
        assert new_token() != new_token()
        assert len(new_token()) >= 40


class TestHost:
    @pytest.mark.parametrize("host", [HOST, "localhost:8400", "LOCALHOST:8400", "[::1]:8400"])
    def test_our_own_names(self, host):
        assert ask(COOKIE, host=host)[0] == 200

    @pytest.mark.parametrize(
        "host",
        [
            None,
            "",
            "example.org",
            "example.org:8400",
            "127.0.0.1",
            "127.0.0.1:8401",
            "127.0.0.1:8400.example.org",
            "localhost:8400@example.org",
            "0.0.0.0:8400",
        ],
    )
    def test_all_others_are_refused_even_with_the_token(self, host):
        assert ask(COOKIE, host=host)[0] == 421
        assert ask(path="/", query=f"token={TOKEN}", host=host)[0] == 421

    def test_two_at_once(self):
        assert ask(COOKIE, ("host", "example.org"))[0] == 421


class TestOrigin:
    def test_our_own_page_may_change_things(self):
        assert post(COOKIE, OURS, JSON)[0] == 200
        assert post(COOKIE, OURS, JSON, ("sec-fetch-site", "same-origin"))[0] == 200

    @pytest.mark.parametrize(
        "origin",
        ["http://example.org", "https://127.0.0.1:8400", "http://127.0.0.1:8401", "null", ""],
    )
    def test_others_may_not_even_look(self, origin):
        assert post(COOKIE, ("origin", origin), JSON)[0] == 403
        assert ask(COOKIE, ("origin", origin))[0] == 403

    def test_a_change_must_say_who_asks(self):
        assert post(COOKIE, JSON)[0] == 403

    @pytest.mark.parametrize("site", ["cross-site", "same-site", "none"])
    def test_what_the_browser_says_of_the_asking_site(self, site):
        assert post(COOKIE, OURS, JSON, ("sec-fetch-site", site))[0] == 403

    def test_another_sites_picture_or_script_tag_gets_nothing(self):
        tag = [("sec-fetch-site", "cross-site"), ("sec-fetch-mode", "no-cors")]
        assert ask(COOKIE, *tag, ("sec-fetch-dest", "image"))[0] == 403
        frame = [("sec-fetch-site", "cross-site"), ("sec-fetch-mode", "navigate")]
        assert ask(COOKIE, *frame, ("sec-fetch-dest", "iframe"))[0] == 403

    def test_a_link_may_be_followed(self):
        link = [("sec-fetch-mode", "navigate"), ("sec-fetch-dest", "document")]
        assert ask(COOKIE, *link, ("sec-fetch-site", "cross-site"), path="/")[0] == 200

    @pytest.mark.parametrize(
        "kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""]
    )
    def test_what_a_form_can_send_is_refused(self, kind):
        assert post(COOKIE, OURS, ("content-type", kind))[0] == 415


class TestRequests:
    @pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT"])
    def test_other_methods(self, method):
        assert ask(COOKIE, OURS, JSON, method=method)[0] == 405

    @pytest.mark.parametrize("length", ["65537", "-1", "x", "99999999999999999999"])
    def test_bodies_that_are_too_long(self, length):
        assert post(COOKIE, OURS, JSON, ("content-length", length))[0] == 413

    def test_bodies_that_do_not_say_how_long_they_are(self):
        assert post(COOKIE, OURS, JSON, ("transfer-encoding", "chunked"))[0] == 413

    def test_web_sockets_are_not_answered(self):
        guard = Guard(_inner, token=TOKEN, names=[HOST], cookie="c")
        said = []
        asyncio.run(guard({"type": "websocket"}, None, said.append))
        assert said == []

    @pytest.mark.parametrize("headers", [[COOKIE], []])
    def test_every_answer_forbids_what_the_page_does_not_need(self, headers):
        """Names and values: Content Security Policy Level 3, and the Fetch standard's CORP."""
        _, said = ask(*headers)
        policy = dict(
            part.strip().split(" ", 1) for part in said["content-security-policy"].split(";")
        )
        assert policy["default-src"] == "'none'"
        assert policy["script-src"] == policy["style-src"] == "'self'"
        assert policy["frame-ancestors"] == policy["base-uri"] == policy["form-action"] == "'none'"
        assert "unsafe" not in said["content-security-policy"]
        assert said["x-content-type-options"] == "nosniff"
        assert said["cross-origin-resource-policy"] == "same-origin"
        assert said["cache-control"] == "no-store"


class TestExposing:
    @pytest.mark.parametrize("host", ["127.0.0.1", "127.9.9.9", "::1", "localhost"])
    def test_this_machine_alone_needs_no_token_of_ones_own(self, host):
        assert is_loopback(host)
        assert len(checked_token(host, None)) >= 40

    @pytest.mark.parametrize("host", ["192.168.1.20", "10.0.0.1", "camera-box", "fe80::1"])
    def test_others_need_one(self, host):
        assert not is_loopback(host)
        with pytest.raises(UsageError, match="--token"):
            checked_token(host, None)
        assert checked_token(host, TOKEN) == TOKEN
        assert host in {name.rpartition(":")[0].strip("[]") for name in names_of(host, 1)}

    @pytest.mark.parametrize("token", ["", "short", "x" * 15, "line\nbreak" * 3, "ünsichtbar" * 3])
    def test_a_token_that_anybody_guesses(self, token):
        with pytest.raises(UsageError, match="16 or more"):
            checked_token("127.0.0.1", token)

    @pytest.mark.parametrize("host", ["0.0.0.0", "::", ""])
    def test_all_addresses_at_once_have_no_name(self, host):
        with pytest.raises(UsageError, match="one address"):
            refuse_wildcard(host)

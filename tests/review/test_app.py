"""What the server answers, and what it refuses."""

import io
import json
import os
import shutil

import numpy as np
import pytest
from PIL import Image

import flashpan
from flashpan.cut.native import NativePicture
from flashpan.cut.tone import FULL, toned
from flashpan.night.record import NightRecord
from flashpan.scores import read_scores

STEPS_UP = [
    "../night.sqlite",
    "..%2fnight.sqlite",
    "..%252f..%252fetc/passwd",
    "....//x",
    "%2e%2e/",
]


def picture(data):
    return np.asarray(Image.open(io.BytesIO(data)))


def shown_as(levels):
    """A frame of 16 bits as 8, by the written rule: full range, rounded."""
    like = NativePicture(index=0, pixels=levels, bit_depth=16, black=0, white=65535)
    return toned(like, FULL)


class TestNight:
    def test_says_what_there_is(self, client):
        night = client.json("/api/night")
        assert night["name"] == "night"
        assert [take["name"] for take in night["takes"]].sort() == ["bang", "spark"].sort()
        spark = client.take("spark")
        assert [one["onset"] for one in spark["events"]] == [50, 90]
        assert spark["shape"] == [48, 64]
        assert spark["frames"] == [0, 119]
        assert spark["source"] == "take"
        assert spark["ranges"][0]["clip"]["frames"] == spark["ranges"][0]["found"]
        assert night["undo"] is None

    def test_the_page_and_its_parts(self, client):
        for path in ("/", "/main.js", "/review.css", "/mark.svg"):
            status, headers, body = client.get(path)
            assert (status, bool(body)) == (200, True)
            assert "script-src 'self'" in headers["content-security-policy"]
        assert b"<script>" not in client.get("/")[2]
        assert b"style=" not in client.get("/")[2]


class TestFrames:
    def test_are_the_frames_of_the_take(self, client, small_night):
        shots = np.load(small_night / "card" / "spark.npy")
        take = client.take("spark")["id"]
        for frame in (0, 52, 51, 119):
            status, headers, body = client.get(f"/api/takes/{take}/frames/{frame}?lossless=1")
            assert (status, headers["content-type"]) == (200, "image/png")
            assert headers["x-tone"] == "full tone range"
            np.testing.assert_array_equal(picture(body)[..., 0], shown_as(shots[frame]))

    def test_in_haste_they_are_nearly_so(self, client, small_night):
        shots = np.load(small_night / "card" / "spark.npy")
        take = client.take("spark")["id"]
        status, headers, body = client.get(f"/api/takes/{take}/frames/52")
        assert (status, headers["content-type"]) == (200, "image/jpeg")
        off = picture(body)[..., 0].astype(int) - shown_as(shots[52])
        assert np.abs(off).max() <= 6
        assert np.sqrt((off**2).mean()) < 1.5

    def test_in_the_tones_of_an_event_that_is_said(self, client):
        take = client.take("spark")["id"]
        _, headers, body = client.get(f"/api/takes/{take}/frames/52?event=0")
        assert "stretched" in headers["x-tone"]
        assert picture(body).max() > 250

    def test_come_from_the_clips_once_the_take_is_gone(self, client, night, small_night):
        take = client.take("spark")
        path = f"/api/takes/{take['id']}/frames/52?lossless=1"
        there = client.get(path)[2]
        source = small_night / "card" / "spark.npy"
        source.rename(source.with_suffix(".away"))
        try:
            assert client.take("spark")["source"] == "clips"
            assert client.get(path)[2] == there
            status, _, said = client.get(f"/api/takes/{take['id']}/frames/10")
            assert status == 404
            assert b"no clip has frame 10" in said
        finally:
            source.with_suffix(".away").rename(source)

    @pytest.mark.parametrize("frame", ["120", "99999999999", "-1", "x", "1.5"])
    def test_that_are_not_there(self, client, frame):
        take = client.take("spark")["id"]
        assert client.get(f"/api/takes/{take}/frames/{frame}")[0] == 404

    def test_of_strips(self, client):
        take = client.take("spark")["id"]
        status, headers, body = client.get(f"/api/takes/{take}/events/1/strip/2")
        assert (status, headers["content-type"]) == (200, "image/jpeg")
        assert picture(body).shape[2] == 3
        assert client.get(f"/api/takes/{take}/events/1/strip/99")[0] == 404
        assert client.get(f"/api/takes/{take}/events/9/strip/0")[0] == 404


class TestScores:
    def test_are_those_of_the_search(self, client, night):
        trace = read_scores(night / "spark" / "spark.scores.npz")
        take = client.take("spark")["id"]
        said = client.json(f"/api/takes/{take}/scores?first=40&last=69&columns=500")
        assert said["detectors"] == list(trace.detectors)
        assert said["first"] == list(range(40, 70))
        np.testing.assert_allclose(said["high"], trace.scores[:, 40:70], atol=1e-3)
        few = client.json(f"/api/takes/{take}/scores?columns=7")
        assert len(few["first"]) == 7
        np.testing.assert_allclose(np.max(few["high"], 1), trace.scores.max(axis=1), atol=1e-3)

    def test_that_were_not_kept(self, client, night):
        (night / "spark" / "spark.scores.npz").unlink()
        status, _, said = client.get(f"/api/takes/{client.take('spark')['id']}/scores")
        assert status == 404
        assert b"were not kept" in said


class TestChanges:
    def test_are_saved_and_come_back_with_the_night(self, client, night):
        take = client.take("spark")["id"]
        for path, body in (
            ("events/0/mark", {"mark": "circled"}),
            ("events/1/note", {"note": "<b>loud</b>"}),
            ("ranges/0", {"first": 44, "last": 70}),
            ("regions", {"regions": [{"role": "ignore", "x": 1, "y": 2, "width": 3, "height": 4}]}),
        ):
            assert client.post(f"/api/takes/{take}/{path}", body)[0] == 200
        spark = client.take("spark")
        assert spark["events"][0]["mark"] == "circled"
        assert spark["events"][1]["note"] == "<b>loud</b>"
        assert spark["ranges"][0]["wanted"] == [44, 70]
        assert spark["needs_rerun"]
        with NightRecord.read(night) as record:
            assert [one.mark for one in record.events(take)] == ["circled", None]
        _, answer = client.post("/api/undo")
        assert answer["night"]["redo"]["what"] == "the regions"
        assert client.take("spark")["regions"] == []
        assert not client.take("spark")["needs_rerun"]
        client.post("/api/redo")
        assert len(client.take("spark")["regions"]) == 1

    @pytest.mark.parametrize(
        ("path", "body"),
        [
            ("events/0/mark", {"mark": "best"}),
            ("events/0/mark", {"mark": 3}),
            ("events/0/note", {"note": None}),
            ("events/0/note", {"note": "x" * 3000}),
            ("ranges/0", {"first": "44", "last": 70}),
            ("ranges/0", {"first": True, "last": 70}),
            ("ranges/0", {"first": 1e3, "last": 70}),
            ("ranges/0", {"first": 0, "last": 10**30}),
            ("ranges/0", {"last": 70}),
            ("regions", {"regions": [{"role": "look", "x": 60, "y": 0, "width": 9, "height": 9}]}),
            ("regions", {"regions": [3]}),
            ("regions", {"regions": "all"}),
            ("regions", {"regions": [{"role": "../x", "x": 0, "y": 0, "width": 9, "height": 9}]}),
        ],
    )
    def test_that_make_no_sense(self, client, path, body):
        take = client.take("spark")["id"]
        status, said = client.post(f"/api/takes/{take}/{path}", body)
        assert status == 400
        assert len(said.splitlines()) == 1
        assert client.json("/api/night")["undo"] is None

    @pytest.mark.parametrize(
        "path",
        [
            "takes/99/events/0/mark",
            "takes/{}/events/9/mark",
            "takes/{}/ranges/9/cut",
            "takes/99/search",
        ],
    )
    def test_of_what_is_not_there(self, client, path):
        take = client.take("spark")["id"]
        assert client.post(f"/api/{path.format(take)}", {"mark": "circled"})[0] == 404

    @pytest.mark.parametrize("body", [b"", b"[]", b"3", b"{", b"\xff"])
    def test_that_are_no_json_objects(self, client, body):
        status, _, said = client.ask("POST", "/api/undo", body)
        assert status == (200 if body == b"" else 400), said


class TestAgain:
    def test_a_range_is_cut_where_it_begins_and_ends_now(self, client, night, small_night):
        spark = client.take("spark")
        old = spark["ranges"][0]["clip"]["name"]
        client.post(f"/api/takes/{spark['id']}/ranges/0", {"first": 44, "last": 63})
        _, answer = client.post(f"/api/takes/{spark['id']}/ranges/0/cut")
        task = client.done(answer["result"])
        assert (task["state"], task["text"]) == ("done", "frames 44 to 63 cut, bit for bit")
        clip = client.take("spark")["ranges"][0]["clip"]
        assert clip["frames"] == [44, 63]
        cut = np.load(night / "spark" / clip["name"])
        np.testing.assert_array_equal(cut, np.load(small_night / "card" / "spark.npy")[44:64])
        assert (night / "spark" / "earlier-clips" / old).exists()
        assert not (night / "spark" / old).exists()
        sums = (night / "spark" / "spark.sha256").read_text()
        assert clip["name"] in sums
        assert old not in sums
        assert flashpan.verify(night).ok

    def test_a_take_is_searched_with_its_regions(self, client, night):
        spark = client.take("spark")
        client.post(f"/api/takes/{spark['id']}/events/1/mark", {"mark": "circled"})
        everything = {"role": "ignore", "x": 16, "y": 8, "width": 32, "height": 32}
        client.post(f"/api/takes/{spark['id']}/regions", {"regions": [everything]})
        _, answer = client.post(f"/api/takes/{spark['id']}/search")
        task = client.done(answer["result"])
        assert (task["state"], task["text"]) == ("done", "0 events found")
        now = client.take("spark")
        assert (now["events"], now["needs_rerun"]) == ([], False)
        assert any("circled" in text for text in now["warnings"])
        client.post(f"/api/takes/{spark['id']}/regions", {"regions": []})
        _, answer = client.post(f"/api/takes/{spark['id']}/search")
        assert client.done(answer["result"])["text"] == "2 events found"
        assert [one["onset"] for one in client.take("spark")["events"]] == [50, 90]
        assert flashpan.verify(night).ok

    def test_a_take_that_is_gone(self, client, small_night):
        bang = client.take("bang")["id"]
        source = small_night / "card" / "bang.npy"
        source.rename(source.with_suffix(".away"))
        try:
            for path in (f"/api/takes/{bang}/search", f"/api/takes/{bang}/ranges/0/cut"):
                _, answer = client.post(path)
                task = client.done(answer["result"])
                assert task["state"] == "failed"
                assert "bang.npy" in task["text"]
        finally:
            source.with_suffix(".away").rename(source)

    def test_a_run_at_work_is_not_disturbed(self, client, night):
        from flashpan.night.catalog import Catalog

        bang = client.take("bang")["id"]
        with Catalog.open(night):
            _, answer = client.post(f"/api/takes/{bang}/search")
            task = client.done(answer["result"])
        assert task["state"] == "failed"
        assert "another run is at work" in task["text"]


class TestRefused:
    def test_wrong_token_host_and_origin(self, client):
        for headers, status in (
            ({"Cookie": None}, 403),
            ({"Cookie": f"flashpan_{client.port}=guess"}, 403),
            ({"Host": "example.org"}, 421),
            ({"Host": f"example.org:{client.port}"}, 421),
            ({"Origin": "http://example.org"}, 403),
        ):
            assert client.get("/api/night", **headers)[0] == status
            assert client.ask("POST", "/api/undo", b"{}", **headers)[0] == status

    @pytest.mark.parametrize("up", STEPS_UP)
    @pytest.mark.parametrize(
        "path",
        [
            "/{}",
            "/assets/{}",
            "/api/{}",
            "/api/takes/{}/frames/1",
            "/api/takes/1/frames/{}",
            "/api/takes/1/events/{}/strip/0",
            "/api/takes/1/events/0/strip/{}",
            "/api/takes/{}/scores",
        ],
    )
    def test_steps_up_lead_nowhere(self, client, path, up):
        status, _, body = client.get(path.format(up))
        assert status == 404
        assert b"SQLite" not in body
        assert b"root:" not in body

    @pytest.mark.parametrize("up", STEPS_UP)
    @pytest.mark.parametrize("name", ["first", "last", "columns", "event"])
    def test_nor_in_queries(self, client, name, up):
        paths = {"event": "frames/1"}
        take = client.take("spark")["id"]
        status, _, body = client.get(f"/api/takes/{take}/{paths.get(name, 'scores')}?{name}={up}")
        assert status == 400
        assert b"whole number" in body

    def test_nor_in_bodies(self, client):
        take = client.take("spark")["id"]
        for path, body in (
            ("events/0/mark", {"mark": "../../x"}),
            ("ranges/0", {"first": "../x", "last": 3}),
            ("regions", {"regions": "../x"}),
        ):
            assert client.post(f"/api/takes/{take}/{path}", body)[0] == 400

    def test_no_folder_is_listed(self, client):
        for path in ("/assets/", "/api/", "/api/takes/", "/spark/", "/night.sqlite"):
            assert client.get(path)[0] == 404

    @pytest.mark.parametrize("what", ["spark.strips", "spark.scores.npz", "spark.events.json"])
    def test_links_out_of_the_night(self, client, night, tmp_path, what):
        outside = tmp_path / "outside"
        shutil.move(night / "spark" / what, outside)
        os.symlink(outside, night / "spark" / what)
        take = client.take("spark")["id"]
        path = {"spark.scores.npz": "scores", "spark.strips": "events/0/strip/0"}.get(
            what, "frames/1"
        )
        assert client.get(f"/api/takes/{take}/{path}")[0] == 404

    def test_clips_that_are_links_out_of_the_night(self, client, night, tmp_path, small_night):
        clip = night / "spark" / client.take("spark")["ranges"][0]["clip"]["name"]
        shutil.move(clip, tmp_path / "outside.npy")
        os.symlink(tmp_path / "outside.npy", clip)
        source = small_night / "card" / "spark.npy"
        source.rename(source.with_suffix(".away"))
        try:
            take = client.take("spark")
            first = take["ranges"][0]["found"][0]
            assert client.get(f"/api/takes/{take['id']}/frames/{first}")[0] == 404
        finally:
            source.with_suffix(".away").rename(source)

    def test_a_take_folder_that_is_a_link_out_of_the_night(self, client, night, tmp_path):
        shutil.move(night / "spark", tmp_path / "elsewhere")
        os.symlink(tmp_path / "elsewhere", night / "spark")
        spark = client.take("spark")
        assert (spark["shape"], spark["source"]) == (None, "none")
        assert client.get(f"/api/takes/{spark['id']}/frames/1")[0] == 404
        _, answer = client.post(f"/api/takes/{spark['id']}/ranges/0/cut")
        assert client.done(answer["result"])["state"] == "failed"

    def test_a_strip_whose_file_is_a_link(self, client, night, tmp_path):
        secret = tmp_path / "secret"
        secret.write_bytes(b"root: nobody's business")
        strips = json.loads((night / "spark" / "spark.strips" / "strips.json").read_text())
        file = night / "spark" / "spark.strips" / strips["strips"][0]["frames"][0]["file"]
        file.unlink()
        os.symlink(secret, file)
        status, _, body = client.get(f"/api/takes/{client.take('spark')['id']}/events/0/strip/0")
        assert status == 404
        assert b"nobody" not in body

"""The picture page: who gets an answer, and real clicks and keys in a headless Chromium."""

from __future__ import annotations

import http.client
import json
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from leanmix.cli import leanmix
from leanmix.errors import MachineFileError
from leanmix.machine import demo
from leanmix.survey import PointName, load_readings, solve
from leanmix.survey.layout import machine_spots
from leanmix.survey.photo import card_marks_mm
from leanmix.survey.photo.desk import Desk, PageFault
from leanmix.survey.photo.image import open_photograph
from leanmix.survey.photo.server import PageServer, serve
from tests.unit.browser import Browser
from tests.unit.photo_scene import Camera, camera, card_place, paint, paint_near, pins, to_world

TARN = demo("tarn").machine
WIDTH, HEIGHT = 6000, 4500


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Camera, np.ndarray]:
    """A painted picture of Tarn with the card, 27 megapixels; only the marks and pins are painted, to save time."""
    cam, card = camera(4, WIDTH, HEIGHT, 340), card_place(4)
    path = tmp_path_factory.mktemp("scene") / "front.jpg"
    places = np.array(list(pins(TARN).values()))
    marks = cam.see(to_world(card, card_marks_mm()))
    image = paint_near(cam, card, places, marks, 150)
    for x, y in cam.see(np.column_stack([places, np.zeros(len(places))])):
        box = (int(x) - 40, int(y) - 40, int(x) + 40, int(y) + 40)
        image[box[1] : box[3], box[0] : box[2]] = paint(cam, card, places, window=box)
    Image.fromarray(image).save(path, quality=90)
    return path, cam, card


@pytest.fixture
def page(scene: tuple[Path, Camera, np.ndarray], tmp_path: Path) -> Iterator[PageServer]:
    server = serve(Desk(TARN, open_photograph(scene[0]), tmp_path / "tarn.readings.toml", behind_tol_mm=0.5))
    yield server
    server.close()


def ask(page: PageServer, path: str, *, key: str | None = "", method: str = "GET", body: bytes | None = None, **headers: str) -> tuple[int, bytes, dict[str, str]]:  # fmt: skip
    """One request; the right key unless another is given, None for none at all."""
    link = http.client.HTTPConnection("127.0.0.1", page.port, timeout=10)
    query = "" if key is None else f"{'&' if '?' in path else '?'}key={key or page.key}"
    sent = {name.replace("_", "-"): value for name, value in headers.items()}
    link.putrequest(method, path + query, skip_host="Host" in sent)
    for name, value in sent.items():
        link.putheader(name, value)
    if body is not None:
        link.putheader("Content-Length", str(len(body)))
    link.endheaders(body)
    reply = link.getresponse()
    data = reply.read()
    link.close()
    return reply.status, data, dict(reply.getheaders())


PATHS = ("/", "/page.js", "/page.css", "/opening", "/points.svg", "/look?left=0&top=0&width=100&height=100&out=100")


@pytest.mark.parametrize("path", PATHS)
def test_the_page_answers_only_with_its_key_its_host_and_itself(page: PageServer, path: str) -> None:
    assert ask(page, path)[0] == 200
    assert ask(page, path, key=None)[0] == 403
    assert ask(page, path, key="x" * 32)[0] == 403
    assert ask(page, path, key=page.key[:-1])[0] == 403
    for host in ("evil.example", f"evil.example:{page.port}", "127.0.0.1", f"127.0.0.1:{page.port + 1}", ""):
        assert ask(page, path, Host=host)[0] == 403
    for origin in (
        "http://evil.example",
        "null",
        f"http://127.0.0.1:{page.port + 1}",
        f"https://127.0.0.1:{page.port}",
    ):
        assert ask(page, path, Origin=origin)[0] == 403
    for site in ("cross-site", "same-site"):
        assert ask(page, path, Sec_Fetch_Site=site)[0] == 403
    assert ask(page, path, Host=f"localhost:{page.port}", Origin=f"http://localhost:{page.port}")[0] == 200


def test_it_listens_on_the_loopback_only(page: PageServer) -> None:
    assert page._server.server_address[0] == "127.0.0.1"
    with socket.socket() as other:
        other.settimeout(2)
        with pytest.raises(OSError):
            other.connect(("127.0.0.2", page.port))


def test_nothing_comes_from_outside_and_nothing_may_frame_it(page: PageServer) -> None:
    for path in PATHS[:3]:
        _, data, headers = ask(page, path)
        text = data.decode()
        assert "http://" not in text.replace("http://www.w3.org", "")
        assert "https://" not in text
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["Referrer-Policy"] == "no-referrer"
        assert "Access-Control-Allow-Origin" not in headers


def post(page: PageServer, path: str, body: Any, **headers: str) -> tuple[int, Any]:
    more = {"Origin": f"http://127.0.0.1:{page.port}", "Content-Type": "application/json", **headers}
    data = body if isinstance(body, bytes) else json.dumps(body).encode()
    status, reply, _ = ask(page, path, method="POST", body=data, **{k.replace("-", "_"): v for k, v in more.items()})
    return status, json.loads(reply) if reply.startswith(b"{") else reply


def test_clicks_from_elsewhere_or_in_other_clothes_are_refused(page: PageServer, tmp_path: Path) -> None:
    good = {"marks": [], "clicks": [{"point": "left J", "px": [10, 10], "zoom": 1}]}
    assert (
        ask(page, "/clicks", method="POST", body=json.dumps(good).encode(), Content_Type="application/json")[0] == 403
    )
    assert post(page, "/clicks", good, **{"Content-Type": "text/plain"})[0] == 415
    assert post(page, "/clicks", good, Origin="http://evil.example")[0] == 403
    assert post(page, "/clicks", b"{" * 100_000)[0] == 400
    mine = {"Origin": f"http://127.0.0.1:{page.port}", "Content_Type": "application/json"}
    for length in (str(2 << 20), "-3", "many"):
        assert ask(page, "/clicks", method="POST", Content_Length=length, **mine)[0] == 413
    assert post(page, "/elsewhere", good)[0] == 404
    assert post(page, "/clicks", [1])[0] == 400
    for method in ("PUT", "DELETE", "OPTIONS"):
        assert ask(page, "/clicks", method=method)[0] == 501
    assert not (tmp_path / "tarn.readings.toml").exists()
    assert post(page, "/clicks", good)[0] == 200
    assert load_readings(tmp_path / "tarn.readings.toml", TARN)


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"marks": 3, "clicks": []},
        {"marks": [[1, 2, 3]], "clicks": []},
        {"marks": [["a", 2]], "clicks": []},
        {"marks": [[-5, 2]], "clicks": []},
        {"marks": [[5, 2]] * 5, "clicks": []},
        {"marks": [], "clicks": [3]},
        {"marks": [], "clicks": [{"point": "nobody", "px": [1, 1], "zoom": 1}]},
        {"marks": [], "clicks": [{"point": "J", "px": [1, 1], "zoom": 1}]},
        {"marks": [], "clicks": [{"point": "left J", "px": [1e9, 1], "zoom": 1}]},
        {"marks": [], "clicks": [{"point": "left J", "px": [1, 1], "zoom": 0}]},
        {"marks": [], "clicks": [{"point": "left J", "px": [1, 1], "zoom": 1}] * 500},
    ],
)
def test_nonsense_from_the_page_is_a_sentence(page: PageServer, body: dict[str, Any], tmp_path: Path) -> None:
    status, reply = post(page, "/clicks", body)
    assert status == 422
    assert reply["trouble"]
    assert not (tmp_path / "tarn.readings.toml").exists()


@pytest.mark.parametrize("query", ["", "left=a&top=0&width=9&height=9&out=9", "left=0&top=0&width=0&height=9&out=9", "left=nan&top=0&width=9&height=9&out=9"])  # fmt: skip
def test_views_that_make_no_sense_are_refused(page: PageServer, query: str) -> None:
    assert ask(page, f"/look?{query}")[0] == 400


class Hand:
    """Somebody at the page: finds the picture's places on the screen and clicks them."""

    def __init__(self, browser: Browser, page: PageServer) -> None:
        self.browser = browser
        browser.open(page.address)
        browser.until("document.body && document.body.dataset.ready === 'yes' && document.body.dataset.looked")
        box = browser.run("(() => { const r = picture.getBoundingClientRect(); return [r.left, r.top] })()")
        self.left, self.top = box

    def at(self, px: np.ndarray) -> tuple[float, float]:
        left, top, zoom = self.browser.run("[view.left, view.top, view.zoom]")
        return self.left + (px[0] - left) * zoom, self.top + (px[1] - top) * zoom

    def click(self, px: np.ndarray) -> None:
        self.browser.click(*self.at(px))

    def choose(self, name: str) -> None:
        self.browser.run(f"document.querySelector('[data-task=\"{name}\"]').click()")

    def settled(self) -> None:
        self.browser.until("sent === answered")


def trouble(browser: Browser) -> list[Any]:
    return [e["params"] for e in browser.seen if e.get("method") in ("Log.entryAdded", "Runtime.exceptionThrown")]


def test_real_clicks_in_a_browser_measure_the_machine(
    page: PageServer, scene: tuple[Path, Camera, np.ndarray], tmp_path: Path
) -> None:
    """The whole way: four corners and every pin clicked in Chromium, through the page, into readings, to points."""
    _, cam, card = scene
    rng = np.random.default_rng(8)
    with Browser() as browser:
        hand = Hand(browser, page)
        for px in cam.see(to_world(card, card_marks_mm()[:4])):
            hand.click(px + rng.normal(0, 3, 2))
        hand.settled()
        assert browser.run("found.filter((m) => m.found).length") >= 10
        for name, xy in pins(TARN).items():
            px = cam.see(np.array([[*xy, 0.0]]))[0]
            # zoomed in on the point first, as one would
            browser.run(f"cross.x = {px[0]}; cross.y = {px[1]}; zoomBy(0.5 / view.zoom)")
            for _ in range(2):  # each point twice, as the page advises
                hand.choose(str(name))
                hand.click(px + rng.normal(0, 3.0, 2))
            browser.run("whole()")
        hand.settled()
        said = browser.run("document.getElementById('said').innerText")
        assert "12 of 12 points placed" in said
        browser.run("document.getElementById('done').click()")
        browser.until("document.getElementById('ended') !== null")
        assert not trouble(browser)
    assert page.wait(5)
    found = solve(TARN, load_readings(tmp_path / "tarn.readings.toml", TARN).survey)
    spots = machine_spots(TARN)
    off = [np.hypot(p.out_mm - spots[PointName(p.point.place, "left")][0], p.up_mm - spots[PointName(p.point.place, "left")][1]) for p in found.points]  # fmt: skip
    assert len(off) == 12
    assert max(off) < 0.5


def test_keys_undo_zoom_and_drag(page: PageServer, scene: tuple[Path, Camera, np.ndarray]) -> None:
    with Browser() as browser:
        hand = Hand(browser, page)
        clicks = "state.marks.filter(Boolean).length"
        # the cross moves by one screen pixel, by ten with shift, and Enter sets a mark there
        before = browser.run("[cross.x, cross.y, view.zoom]")
        browser.press("ArrowRight", code=39)
        browser.press("ArrowDown", shift=True, code=40)
        after = browser.run("[cross.x, cross.y]")
        assert after[0] - before[0] == pytest.approx(1 / before[2])
        assert after[1] - before[1] == pytest.approx(10 / before[2])
        browser.press("Enter", code=13, text="\r")
        assert browser.run(clicks) == 1
        assert browser.run("state.marks[0]") == pytest.approx(after)
        # set, undone, done again, taken away, and undone back
        for keys, want in ((("z", True), 0), (("y", True), 1)):
            browser.press(keys[0], ctrl=keys[1], code=ord(keys[0].upper()))
            assert browser.run(clicks) == want
        assert browser.run("tasks[current].name") == "mark 2"
        browser.press("Tab", code=9)
        assert browser.run("tasks[current].name") == "mark 3"
        browser.press("Tab", shift=True, code=9)
        browser.press("Tab", shift=True, code=9)
        assert browser.run("tasks[current].name") == "mark 1"
        browser.press("Backspace", code=8)
        assert browser.run(clicks) == 0
        browser.press("z", ctrl=True, code=90)
        assert browser.run(clicks) == 1
        # zoom keeps what is under the pointer; a drag moves the picture and sets nothing
        zoom = browser.run("view.zoom")
        browser.press("+", code=187, text="+")
        assert browser.run("view.zoom") == pytest.approx(1.5 * zoom)
        x, y = hand.at(np.array([3000.0, 2250.0]))
        browser.wheel(x, y, -200)
        browser.until("view.zoom > 1.6 * " + str(zoom))
        assert hand.at(np.array([3000.0, 2250.0])) == pytest.approx((x, y), abs=1.0)  # the wheel speaks in whole pixels
        left = browser.run("view.left")
        browser.drag(400, 400, 300, 400)
        assert browser.run("view.left") == pytest.approx(left + 100 / browser.run("view.zoom"))
        assert browser.run(clicks) == 1
        browser.press("0", code=48, text="0")
        assert browser.run("view.zoom") == pytest.approx(zoom)
        hand.settled()
        assert not trouble(browser)


def test_clicks_are_there_again_after_a_crash(
    page: PageServer, scene: tuple[Path, Camera, np.ndarray], tmp_path: Path
) -> None:
    _, cam, card = scene
    corners = cam.see(to_world(card, card_marks_mm()[:4])).tolist()
    clicks = [{"point": "left lower_ball", "px": [3900.25, 2700.5], "zoom": 2.0}]
    answer = page.desk.take({"marks": corners, "clicks": clicks})
    again = Desk(TARN, open_photograph(scene[0]), tmp_path / "tarn.readings.toml").opening()["earlier"]
    assert again["clicks"][0]["px"] == [3900.25, 2700.5]
    assert [m["px"] for m in answer["marks"][:4]] == [pytest.approx(m, abs=0.01) for m in again["marks"]]
    # another table of the same picture takes the place of the first
    page.desk.take({"marks": corners, "clicks": []})
    assert (tmp_path / "tarn.readings.toml").read_text().count("[[picture]]") == 1


def test_a_desk_needs_a_usable_readings_file(scene: tuple[Path, Camera, np.ndarray], tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text("reading = 3")
    desk = Desk(TARN, open_photograph(scene[0]), tmp_path / "bad.toml")
    with pytest.raises(MachineFileError):
        desk.opening()
    with pytest.raises(PageFault):
        Desk(TARN, open_photograph(scene[0]), tmp_path / "new.toml").take({"marks": None})


def run(*arguments: str) -> Any:
    return CliRunner().invoke(leanmix, list(arguments))


def test_the_card_is_written_and_is_true_to_size(tmp_path: Path) -> None:
    from leanmix.survey.holes import read_holes

    for name in ("card.svg", "card.pdf", "card.png"):
        assert run("photo", "demo:tarn", "--print-card", str(tmp_path / name)).exit_code == 0
        assert (tmp_path / name).stat().st_size > 1000
    places = sorted((h.x_mm, h.y_mm) for h in read_holes(tmp_path / "card.svg"))
    got = np.array(places) - np.min(places, axis=0)
    want = card_marks_mm()
    assert got == pytest.approx(np.array(sorted(map(tuple, want))), abs=0.01)
    assert run("photo", "demo:tarn", "--print-card", str(tmp_path / "card.txt")).exit_code != 0


@pytest.mark.parametrize(
    "arguments",
    [
        ("demo:tarn",),
        ("demo:tarn", "absent.jpg", "--readings", "r.toml"),
        ("demo:tarn", "absent.jpg"),
        ("demo:tarn", "x.jpg", "--view", "side", "--seen-from", "front"),
        ("demo:tarn", "x.jpg", "--card-mm", "3", "4"),
    ],
)
def test_wrong_uses_of_the_command_are_said(arguments: tuple[str, ...]) -> None:
    result = run("photo", *arguments)
    assert result.exit_code != 0
    assert result.exception is not None
    assert not isinstance(result.exception, (AttributeError, TypeError, KeyError))

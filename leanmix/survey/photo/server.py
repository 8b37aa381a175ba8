"""The picture page, served to this computer only.

Bound to 127.0.0.1 on a port of the system's choosing. Every request must name this host, carry the key that
was printed with the address, and come from the page itself: other sites open in the same browser get a
refusal, and so does a name that was pointed at 127.0.0.1 behind the browser's back.
"""

from __future__ import annotations

import hmac
import json
import re
import secrets
import threading
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib import resources
from typing import Any
from urllib.parse import parse_qs, urlsplit

from leanmix.drawing import to_svg
from leanmix.errors import LeanmixError
from leanmix.survey.photo.desk import Desk
from leanmix.survey.photo.image import view_jpeg
from leanmix.survey.sketch import points_drawing

__all__ = ["PageServer", "serve"]

MOST_BODY = 1 << 20
QUIET_S = 30
KINDS = {"page.html": "text/html; charset=utf-8", "page.css": "text/css; charset=utf-8", "page.js": "text/javascript; charset=utf-8"}  # fmt: skip
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}


class _Refusal(Exception):
    """A request that is not answered: status and sentence."""

    def __init__(self, status: HTTPStatus, words: str) -> None:
        super().__init__(words)
        self.status = status
        self.words = words


class PageServer:
    """A running picture page.

    Parameters
    ----------
    desk : Desk
        The picture and what to do with clicks.
    port : int
        0 for any free one.
    """

    def __init__(self, desk: Desk, port: int = 0) -> None:
        self.desk = desk
        self.key = secrets.token_urlsafe(24)
        self.done = threading.Event()
        self._server = _Quiet(("127.0.0.1", port), _Handler)
        self._server.page = self
        self.port = int(self._server.server_address[1])
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True)
        self._thread.start()

    @property
    def address(self) -> str:
        """What to open in a browser, key included."""
        return f"http://127.0.0.1:{self.port}/?key={self.key}"

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until the page says it is done; whether it did."""
        return self.done.wait(timeout_s)

    def close(self) -> None:
        """Stop serving."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)


def serve(desk: Desk, port: int = 0) -> PageServer:
    """Start serving a desk's page on this computer; see `PageServer`."""
    return PageServer(desk, port)


class _Quiet(ThreadingHTTPServer):
    daemon_threads = True
    page: PageServer

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A browser that goes away in the middle is no event."""


class _Handler(BaseHTTPRequestHandler):
    server: _Quiet
    timeout = QUIET_S
    server_version = "leanmix"
    sys_version = ""

    def log_message(self, format: str, *args: Any) -> None:
        """Say nothing: the address with its key must not end in a log."""

    def do_GET(self) -> None:
        """Pages, views, the opening state."""
        self._answered(self._get)

    def do_POST(self) -> None:
        """Clicks, and the end."""
        self._answered(self._post)

    def _answered(self, job: Any) -> None:
        try:
            query = self._admit()
            job(urlsplit(self.path).path, query)
        except _Refusal as refusal:
            self._send(refusal.status, "text/plain; charset=utf-8", refusal.words.encode())
        except LeanmixError as error:
            self._send_json(HTTPStatus.UNPROCESSABLE_ENTITY, {"trouble": str(error)})

    def _admit(self) -> dict[str, str]:
        """The query, if the request may be answered at all."""
        page = self.server.page
        hosts = {f"127.0.0.1:{page.port}", f"localhost:{page.port}"}
        host = self.headers.get("Host", "")
        if host not in hosts:
            raise _Refusal(HTTPStatus.FORBIDDEN, "This page answers only to this computer's own name.\n")
        origin = self.headers.get("Origin")
        if origin is not None and origin != f"http://{host}":
            raise _Refusal(HTTPStatus.FORBIDDEN, "This page does not answer other pages.\n")
        if self.headers.get("Sec-Fetch-Site", "none") not in ("none", "same-origin"):
            raise _Refusal(HTTPStatus.FORBIDDEN, "This page does not answer other pages.\n")
        query = {k: v[-1] for k, v in parse_qs(urlsplit(self.path).query).items()}
        if not hmac.compare_digest(query.get("key", "").encode(), page.key.encode()):
            raise _Refusal(HTTPStatus.FORBIDDEN, "The key is missing or wrong: use the address that leanmix printed.\n")
        return query

    def _get(self, path: str, query: dict[str, str]) -> None:
        desk = self.server.page.desk
        name = "page.html" if path == "/" else path.removeprefix("/")
        if name in KINDS:
            text = (resources.files("leanmix.survey.photo") / "page" / name).read_text(encoding="utf-8")
            self._send(HTTPStatus.OK, KINDS[name], text.replace("{{key}}", self.server.page.key).encode())
        elif path == "/opening":
            self._send_json(HTTPStatus.OK, desk.opening())
        elif path == "/points.svg":
            self._send(HTTPStatus.OK, "image/svg+xml", to_svg(points_drawing(desk.machine)).encode())
        elif path == "/look":
            part = [_asked(query, k) for k in ("left", "top", "width", "height", "out")]
            if part[2] < 1 or part[3] < 1:
                raise _Refusal(HTTPStatus.BAD_REQUEST, "That part of the picture is empty.\n")
            data = view_jpeg(desk.photo, part[0], part[1], part[2], part[3], int(part[4]))
            self._send(HTTPStatus.OK, "image/jpeg", data)
        else:
            raise _Refusal(HTTPStatus.NOT_FOUND, "There is nothing here.\n")

    def _post(self, path: str, query: dict[str, str]) -> None:
        if self.headers.get("Origin") is None:
            raise _Refusal(HTTPStatus.FORBIDDEN, "Clicks come from the page itself.\n")
        if self.headers.get_content_type() != "application/json":
            raise _Refusal(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "Clicks come as JSON.\n")
        length = self.headers.get("Content-Length", "")
        if not re.fullmatch(r"[0-9]{1,9}", length) or int(length) > MOST_BODY:
            raise _Refusal(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "That is too much for clicks.\n")
        try:
            sent = json.loads(self.rfile.read(int(length)))
        except (ValueError, RecursionError) as error:
            raise _Refusal(HTTPStatus.BAD_REQUEST, "That is no JSON.\n") from error
        if not isinstance(sent, dict):
            raise _Refusal(HTTPStatus.BAD_REQUEST, "That is no table of clicks.\n")
        if path == "/clicks":
            self._send_json(HTTPStatus.OK, self.server.page.desk.take(sent))
        elif path == "/done":
            self._send_json(HTTPStatus.OK, {})
            self.server.page.done.set()
        else:
            raise _Refusal(HTTPStatus.NOT_FOUND, "There is nothing here.\n")

    def _send_json(self, status: HTTPStatus, payload: dict[str, Any]) -> None:
        self._send(status, "application/json", json.dumps(payload, ensure_ascii=False).encode())

    def _send(self, status: HTTPStatus, kind: str, data: bytes) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(data)))
        for name, value in HEADERS.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(data)


def _asked(query: dict[str, str], key: str) -> float:
    try:
        value = float(query[key])
    except (KeyError, ValueError) as error:
        raise _Refusal(HTTPStatus.BAD_REQUEST, f"{key} is missing or no number.\n") from error
    if not -1e6 < value < 1e6:
        raise _Refusal(HTTPStatus.BAD_REQUEST, f"{key} is out of range.\n")
    return value

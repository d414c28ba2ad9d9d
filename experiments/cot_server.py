"""The cot on a local page: a web server from the standard library, for this machine alone.

It listens on the loopback address, answers only requests that name it as
their host and come from its own pages, and loads nothing from anywhere. Every
refusal is a JSON object with ``error``; none of them stops the server.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.resources import files
from ipaddress import ip_address
from socketserver import BaseServer
from typing import NoReturn
from urllib.parse import parse_qs, urlsplit

from .. import __version__
from ..models.errors import TestbedError, problem
from .cot_house import CotHouse, HouseFullError
from .cot_record import record_csv
from .cot_session import CotSession
from .page import CAUTION, page_environment

LOOPBACK = "127.0.0.1"

#: Longest body of a request (bytes), and how long a silent connection is kept (s).
LONGEST_BODY, SILENCE_S = 65_536, 30

_JSON, _TEXT = "application/json; charset=utf-8", "text/{}; charset=utf-8"

_HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
        "img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}


class _RefusedError(Exception):
    """A request that gets an answer other than 200."""

    status = HTTPStatus.BAD_REQUEST


def _refused(status: HTTPStatus, message: str) -> _RefusedError:
    error = _RefusedError(message)
    error.status = status
    return error


class CotServer(ThreadingHTTPServer):
    """The server, bound and ready for `serve_forever`.

    Parameters
    ----------
    house : CotHouse
        Its sessions.
    port : int
        Port; 0 for any that is free.
    """

    daemon_threads = True

    def __init__(self, house: CotHouse, port: int = 0) -> None:
        self.house = house
        try:
            super().__init__((LOOPBACK, port), _Handler)
        except (OSError, OverflowError) as error:
            hint = f"{error}. Take another, or 0 for any."
            raise problem("--port", "a free port", port, hint) from error
        names = (LOOPBACK, "localhost")
        self.hosts = tuple(f"{name}:{self.server_port}" for name in names)
        self.pages = _pages()

    @property
    def url(self) -> str:
        """Where the page is."""
        return f"http://{LOOPBACK}:{self.server_port}/"

    def server_bind(self) -> None:
        """Bind without asking the network for this machine's name."""
        super(ThreadingHTTPServer, self).server_bind()
        self.server_name, self.server_port = LOOPBACK, int(self.server_address[1])

    def handle_error(self, request: object, client_address: object) -> None:
        """Let a connection that breaks, such as that of a closed page, pass without noise.

        Parameters
        ----------
        request : object
            The connection.
        client_address : object
            Whose.
        """


def _pages() -> dict[str, tuple[str, bytes]]:
    """Read the page and what belongs to it: kind and content by path."""
    html = page_environment().get_template("cot.html").render(caution=CAUTION, version=__version__)
    folder = files("oxytestbed.experiments") / "templates"
    return {
        "/": (_TEXT.format("html"), html.encode()),
        "/cot.js": (_TEXT.format("javascript"), (folder / "cot.js").read_bytes()),
        "/cot.css": (_TEXT.format("css"), (folder / "cot.css").read_bytes()),
    }


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server_version, sys_version = "oxytestbed", ""
    timeout = SILENCE_S
    server: BaseServer

    def log_message(self, *_: object) -> None:
        """Keep the terminal free of a line for each request."""

    def send_error(self, code: int, message: str | None = None, explain: str | None = None) -> None:
        """Refuse what the library cannot parse in the same form as all else."""
        self.close_connection = True
        self._send(HTTPStatus(code), {"error": message or HTTPStatus(code).phrase})

    def do_GET(self) -> None:
        self._answer(self._get)

    def do_POST(self) -> None:
        self._answer(self._post)

    def _not_allowed(self) -> None:
        def refuse() -> None:
            raise _refused(
                HTTPStatus.METHOD_NOT_ALLOWED, f"method: expected GET or POST, got {self.command}"
            )

        self._answer(refuse)

    do_PUT = do_DELETE = do_PATCH = do_OPTIONS = do_HEAD = do_TRACE = _not_allowed  # noqa: N815

    @property
    def _cots(self) -> CotServer:
        assert isinstance(self.server, CotServer)
        return self.server

    def _answer(self, give: Callable[[], None]) -> None:
        """Answer, whatever goes wrong."""
        try:
            self._check_origin()
            give()
        except _RefusedError as error:
            self.close_connection = True  # what is left of the request is not read
            self._send(error.status, {"error": str(error)})
        except HouseFullError as error:
            self._send(HTTPStatus.TOO_MANY_REQUESTS, {"error": str(error)})
        except TestbedError as error:
            self._send(HTTPStatus.BAD_REQUEST, {"error": str(error)})
        except (ConnectionError, TimeoutError):
            self.close_connection = True
        except Exception as error:  # one request must not take the server with it
            self.close_connection = True
            self._send(HTTPStatus.INTERNAL_SERVER_ERROR, {"error": f"this server: {error!r}"})

    def _check_origin(self) -> None:
        """Refuse other machines, other names for this one, and pages of others."""
        if not ip_address(self.client_address[0]).is_loopback:
            raise _refused(HTTPStatus.FORBIDDEN, "client: expected this machine")
        hosts, host = self._cots.hosts, self.headers.get("Host", "")
        if host not in hosts:
            raise _refused(
                HTTPStatus.FORBIDDEN, f"Host: expected {' or '.join(hosts)}, got {host[:80]!r}"
            )
        origin = self.headers.get("Origin")
        if origin is not None and origin not in {f"http://{name}" for name in hosts}:
            raise _refused(HTTPStatus.FORBIDDEN, f"Origin: expected none, got {origin[:80]!r}")

    def _get(self) -> None:
        address = urlsplit(self.path)
        if address.path in self._cots.pages:
            kind, content = self._cots.pages[address.path]
            self._send_bytes(HTTPStatus.OK, kind, content)
        elif address.path == "/api/setup":
            self._send(HTTPStatus.OK, self._cots.house.setup())
        else:
            self._get_session(address.path, address.query)

    def _get_session(self, path: str, query: str) -> None:
        key, rest = self._session_of(path)
        session = self._session(key)
        if rest == "":
            since = parse_qs(query).get("since", ["0"])[-1]
            if not (since.isascii() and since.isdigit() and len(since) < 10):
                raise problem("since", "a whole number from 0", since[:40])
            self._send(HTTPStatus.OK, session.state(int(since)))
        elif rest == "record.csv":
            if session.result is None:
                raise _refused(
                    HTTPStatus.CONFLICT, "record.csv: expected a session that is over; finish it"
                )
            csv = record_csv(session.result.courses)
            self._send_bytes(HTTPStatus.OK, _TEXT.format("csv"), csv.encode())
        else:
            self._unknown(path)

    def _post(self) -> None:
        path = urlsplit(self.path).path
        message = self._body()
        if path == "/api/sessions":
            session = self._cots.house.begin(message)
            self._send(HTTPStatus.CREATED, {"key": session.key})
            return
        key, rest = self._session_of(path)
        if rest != "orders":
            self._unknown(path)
        session = self._session(key)
        if session.over:
            raise _refused(HTTPStatus.CONFLICT, "order: expected a session that still runs")
        session.order(message)
        self._send(HTTPStatus.OK, {"taken": True})

    def _session_of(self, path: str) -> tuple[str, str]:
        parts = path.split("/")
        if path.startswith("/api/sessions/") and len(parts) in (4, 5) and parts[3]:
            return parts[3], parts[4] if len(parts) == 5 else ""
        self._unknown(path)

    def _session(self, key: str) -> CotSession:
        try:
            return self._cots.house.find(key)
        except TestbedError as error:
            raise _refused(HTTPStatus.NOT_FOUND, str(error)) from error

    def _unknown(self, path: str) -> NoReturn:
        raise _refused(
            HTTPStatus.NOT_FOUND, f"path: expected one of this server, got {path[:80]!r}"
        )

    def _body(self) -> object:
        """Read a JSON body, refusing early what is too long or of another kind."""
        kind = self.headers.get_content_type()
        if kind != "application/json":
            raise _refused(
                HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
                f"Content-Type: expected application/json, got {kind!r}",
            )
        length = self.headers.get("Content-Length")
        if length is None or "Transfer-Encoding" in self.headers:
            raise _refused(HTTPStatus.LENGTH_REQUIRED, "Content-Length: expected one")
        if not (length.isascii() and length.isdigit() and len(length) < 12):
            raise _refused(
                HTTPStatus.BAD_REQUEST, f"Content-Length: expected a number, got {length[:40]!r}"
            )
        if int(length) > LONGEST_BODY:
            raise _refused(
                HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
                f"body: expected at most {LONGEST_BODY} bytes, got {length}",
            )
        return _parsed(self.rfile.read(int(length)))

    def _send(self, status: HTTPStatus, message: object) -> None:
        self._send_bytes(status, _JSON, json.dumps(message, allow_nan=False).encode())

    def _send_bytes(self, status: HTTPStatus, kind: str, content: bytes) -> None:
        try:
            self.send_response(status)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(content)))
            for name, value in _HEADERS.items():
                self.send_header(name, value)
            if self.close_connection:
                self.send_header("Connection", "close")
            self.end_headers()
            if self.command != "HEAD":
                self.wfile.write(content)
        except (ConnectionError, TimeoutError):  # the page has gone
            self.close_connection = True


def _parsed(body: bytes) -> object:
    def refuse(word: str) -> object:
        raise ValueError(f"{word} is no JSON number")

    try:
        return json.loads(body, parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        raise _refused(HTTPStatus.BAD_REQUEST, f"body: expected JSON, got {error}") from error


__all__ = ["LONGEST_BODY", "LOOPBACK", "CotServer"]

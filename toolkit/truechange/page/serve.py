"""Serve the one-person page on loopback with tornado: no other machine is asked, nothing typed is kept."""

import asyncio
import json
import secrets
import socket
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread
from typing import Any

from truechange.foundation.errors import OutcomeError, needs

try:
    from tornado.httpserver import HTTPServer
    from tornado.web import Application, HTTPError, RequestHandler
except ImportError:
    raise needs("What serves the page", "page") from None

WEB = Path(__file__).parent / "web"
LOOPBACK = "127.0.0.1"
MOST_BYTES = 100_000  # what is typed about one person is a few hundred; anything larger was not typed
POLICY = "; ".join((
    "default-src 'none'", "script-src 'self'", "style-src 'self'", "img-src 'self' data:", "connect-src 'self'",
    "form-action 'self'", "base-uri 'none'", "frame-ancestors 'self' http://127.0.0.1:* http://localhost:*",
))  # fmt: skip
PRINTED = POLICY.replace("style-src 'self'", "style-src 'unsafe-inline'").replace("script-src 'self'; ", "")
KINDS = {".css": "text/css", ".js": "text/javascript"}


class Page(RequestHandler):
    """What every answer shares: only this machine's page may ask, nothing is cached, nothing runs but our script."""

    def prepare(self) -> None:
        """Refuse a request that names another host (a foreign name pointed at loopback) or comes from another page."""
        hosts = {f"{name}:{self.application.settings['port']}" for name in (LOOPBACK, "localhost")}
        origin = self.request.headers.get("Origin")
        if self.request.host not in hosts or (origin and origin not in {f"http://{host}" for host in hosts}):
            raise HTTPError(403, "asked from elsewhere")
        if self.request.method == "POST" and not origin:
            raise HTTPError(403, "a question without an origin")

    def set_default_headers(self) -> None:
        """Send the content policy; keep the address, which holds the token, from leaving in a referrer."""
        self.set_header("Content-Security-Policy", POLICY)
        self.set_header("Cache-Control", "no-store")
        self.set_header("Referrer-Policy", "same-origin")
        self.set_header("X-Content-Type-Options", "nosniff")
        self.clear_header("Server")

    def log_exception(self, kind: Any, value: Any, trace: Any) -> None:
        """Write what failed to the terminal without the request, which holds what was typed."""
        if not isinstance(value, HTTPError):
            frame = traceback.extract_tb(trace)[-1]
            where = f"{Path(frame.filename).name}, line {frame.lineno}."
            print(f"The page failed: {kind.__name__} in {where}", file=sys.stderr)

    def write_error(self, status_code: int, **_: Any) -> None:
        """Say that it was refused, not how the program is made."""
        self.finish({"refused": status_code})


class Form(Page):
    """The form itself, for the test that is asked for."""

    def get(self) -> None:
        """Show the page; ``?measure=`` names the test."""
        from truechange.page.form import form_page

        self.finish(form_page(self.settings["clinic"], self.get_query_argument("measure", "")))


class Asset(Page):
    """The script and the look, read once."""

    def get(self, name: str) -> None:
        """Send one of the two files."""
        self.set_header("Content-Type", f"{KINDS[Path(name).suffix]}; charset=utf-8")
        self.finish((WEB / name).read_bytes())


class Alive(Page):
    """Whether the server is still there, so that a page never shows an answer it can no longer check."""

    def get(self) -> None:
        """Say yes."""
        self.finish({"alive": True})


class Ask(Page):
    """What the form asks while somebody types: the answer, then its picture."""

    def post(self, what: str) -> None:
        """Answer what was typed (JSON: one text a field, lists for the visits)."""
        from truechange.page.form import climbed, drawn, reply

        try:
            typed = json.loads(self.request.body)
        except ValueError:
            raise HTTPError(400, "not JSON") from None
        if not isinstance(typed, dict):
            raise HTTPError(400, "not one entry a field")
        self.finish({"answer": reply, "picture": drawn, "ladder": climbed}[what](typed, self.settings["clinic"]))


class Nothing(Page):
    """Any other address."""

    def get(self) -> None:
        """Say that there is nothing, whatever was asked for: without the token no address exists."""
        raise HTTPError(404)

    post = get


class HandOver(Page):
    """A page to print or to keep: for the chart, for the person, for the referrer."""

    def post(self) -> None:
        """Send the page as HTML or PDF."""
        from truechange.page.form import handed_over

        try:
            typed = json.loads(self.get_body_argument("typed"))
            kind, pdf = self.get_body_argument("kind"), self.get_body_argument("as", "") == "pdf"
            body = handed_over(typed, self.settings["clinic"], kind, pdf=pdf)
        except (ValueError, OutcomeError):
            raise HTTPError(400, "no such page") from None
        made = isinstance(body, bytes)
        self.set_header("Content-Type", "application/pdf" if made else "text/html; charset=utf-8")
        if not made:
            self.set_header("Content-Security-Policy", PRINTED)
        self.finish(body)


def application(token: str, port: int, clinic: Any = None) -> Application:
    """Return the page's application; every address begins with `token`, which only its owner was told."""
    at = f"/{token}/"
    routes: list[Any] = [
        (at, Form), (at + r"(form\.css|form\.js)", Asset), (at + "alive", Alive), (at + "(answer|picture|ladder)", Ask),
        (at + "hand-over", HandOver), (".*", Nothing),
    ]  # fmt: skip
    return Application(routes, port=port, clinic=clinic, log_function=lambda _: None)


@contextmanager
def serving(port: int | None = None, clinic: Any = None) -> Iterator[str]:
    """Yield the address of the page while it is served from a thread of this process.

    Parameters
    ----------
    port : int, optional
        Port on loopback; a free one otherwise.
    clinic : Settings, optional
        The clinic's own numbers.

    Raises
    ------
    OutcomeError
        The port is taken or not allowed.
    """
    try:
        listening = socket.create_server((LOOPBACK, port or 0))
    except (OSError, OverflowError) as wrong:
        raise OutcomeError(f"The page could not be served: {wrong}. Name another --port.") from None
    port, token = listening.getsockname()[1], secrets.token_urlsafe(24)
    listening.setblocking(False)
    started, stop = Event(), asyncio.Event()
    loop = asyncio.new_event_loop()

    async def serve() -> None:
        server = HTTPServer(application(token, port, clinic), max_body_size=MOST_BYTES)
        server.add_socket(listening)
        started.set()
        await stop.wait()
        server.stop()
        await server.close_all_connections()

    thread = Thread(target=loop.run_until_complete, args=(serve(),), daemon=True)
    thread.start()
    started.wait()
    Thread(target=_warm, daemon=True).start()
    try:
        yield f"http://{LOOPBACK}:{port}/{token}/"
    finally:
        loop.call_soon_threadsafe(stop.set)
        thread.join()
        loop.close()


def _warm() -> None:
    """Load what is slow behind the form, while somebody types: drawing, and the check of published numbers."""
    import truechange.reliability.transport  # noqa: F401

"""Serve the page on this machine only, behind a token; nothing is written and nothing leaves."""

import os
import secrets
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from tempfile import TemporaryDirectory

from truechange.foundation.errors import OutcomeError, needs

HERE = Path(__file__).parent
LOOPBACK = "127.0.0.1"


def free_port() -> int:
    """Return a port that is free on loopback."""
    with socket.socket() as held:
        held.bind((LOOPBACK, 0))
        return int(held.getsockname()[1])


@contextmanager
def serving(port: int | None = None, *, seconds: float = 40.0) -> Iterator[str]:
    """Yield the address of the page, token and all, while it is being served.

    Parameters
    ----------
    port : int, optional
        Port on loopback; a free one otherwise.
    seconds : float, optional
        How long to wait for it to come up.

    Raises
    ------
    MissingPartError
        The extra ``page`` is not installed.
    OutcomeError
        The port is taken, or the page did not come up.
    """
    if not all(find_spec(part) for part in ("voila", "ipywidgets", "ipykernel")):
        raise needs("What serves the page", "page")
    port, token = port or free_port(), secrets.token_urlsafe(24)
    with TemporaryDirectory(prefix="truechange-page-") as empty:
        surroundings = os.environ | {
            "JUPYTER_CONFIG_DIR": empty,
            "JUPYTER_RUNTIME_DIR": empty,
            "JUPYTER_DATA_DIR": empty,
        }
        surroundings |= {"JUPYTER_CONFIG_PATH": str(HERE / "share"), "JUPYTER_PATH": str(HERE / "share")}
        # the token goes by the environment: a command line can be read by everybody on the machine
        surroundings |= {"IPYTHONDIR": empty, "MPLBACKEND": "agg", "JUPYTER_TOKEN": token}
        words = [f"--Voila.ip={LOOPBACK}", f"--port={port}", "--Voila.port_retries=0", "--no-browser"]
        words += ["--Voila.auto_token=True", "--Voila.log_level=40"]
        said = Path(empty) / "said.txt"  # a file, since a pipe nobody reads would stop the server when full
        with said.open("w", encoding="utf-8") as heard:
            command = [sys.executable, "-m", "voila", str(HERE / "person.ipynb"), *words]
            served = subprocess.Popen(command, env=surroundings, stdout=subprocess.DEVNULL, stderr=heard)
        try:
            _wait(served, f"http://{LOOPBACK}:{port}/", seconds, said)
            yield f"http://{LOOPBACK}:{port}/?token={token}"
        finally:
            served.terminate()
            try:
                served.wait(10)
            except subprocess.TimeoutExpired:
                served.kill()


def _wait(served: "subprocess.Popen[bytes]", address: str, seconds: float, said: Path) -> None:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if served.poll() is not None:
            lines = said.read_text(encoding="utf-8", errors="replace").strip().splitlines() or ["no reason given"]
            raise OutcomeError(
                f"The page could not be served: {lines[-1]} Is port {address.split(':')[-1][:-1]} taken?"
            )
        try:
            urllib.request.urlopen(address, timeout=2).close()
            return
        except urllib.error.HTTPError as refused:
            refused.close()
            return  # it answers; without the token it refuses, as it should
        except OSError:
            time.sleep(0.1)
    raise OutcomeError(f"The page did not come up within {seconds:g} seconds. Try again, or name another --port.")

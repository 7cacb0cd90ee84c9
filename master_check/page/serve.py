"""The page on a port of this machine, until it is ended."""

import contextlib
import secrets
import signal
import socket
import threading
import webbrowser
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import uvicorn

from master_check.judgement.profile import Profile
from master_check.output import temporary_folder
from master_check.page.app import application
from master_check.page.session import Session
from master_check.tables.layouts import Layout

HOST: Final = "127.0.0.1"


class _Server(uvicorn.Server):
    """Ends in order when it is asked to; Ctrl-C is heard by whoever started it, as in every command."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        before = signal.signal(signal.SIGTERM, self.handle_exit)
        try:
            yield
        finally:
            signal.signal(signal.SIGTERM, before)


def serve(
    paths: Sequence[Path],
    profiles: Sequence[Profile] = (),
    layout: Layout | None = None,
    *,
    as_album: bool = False,
    pair: bool = False,
    browser: bool = True,
    ready: Callable[[str], Any] = print,
) -> None:
    """Serve the page to this machine, until it is ended from the page or by a signal.

    Parameters
    ----------
    paths : sequence of Path
        Files to open at once.
    profiles : sequence of Profile
        What they are held against.
    layout : Layout, optional
        What the channels of the files are, where they do not say or are wrong.
    as_album : bool
        Look at them as an album.
    pair : bool
        Lay the second over the first: master, premaster.
    browser : bool
        Open the address in a browser.
    ready : callable
        Told the address as soon as it answers.

    Raises
    ------
    OSError
        No port is to be had, or no temporary folder.
    """
    with temporary_folder("listen") as folder, contextlib.closing(socket.socket()) as listening:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((HOST, 0))
        port = int(listening.getsockname()[1])
        token = secrets.token_urlsafe(24)
        session = Session(folder, tuple(profiles), layout)
        server: _Server

        def end() -> None:
            server.should_exit = True

        config = uvicorn.Config(
            application(session, token, port, end),
            log_level="error",
            access_log=False,
            lifespan="off",
            ws="none",
            http="h11",
            loop="asyncio",
            server_header=False,
            date_header=False,
            timeout_graceful_shutdown=1,
            timeout_keep_alive=30,
        )
        server = _Server(config)
        listening.listen(64)
        address = f"http://{HOST}:{port}/{token}/"
        ready(address)
        if browser:
            threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
        session.begin(paths, as_album, pair)
        try:
            server.run(sockets=[listening])
        finally:
            session.close()

"""Ctrl-C ends the command at once: kernels and decoders at work in threads are not waited for.

Python would raise KeyboardInterrupt in the main thread, which has to wait there for all others; in a file of three
hours that takes minutes. So a thread waits for the signal instead, takes away what is half written, and ends the
process. Files being read cannot suffer from that, and results are only ever moved to their place whole.
"""

import _thread
import os
import signal
import socket
import sys
from contextlib import suppress

from master_check.output import abandon

STATUS = 130
"""Of a command that SIGINT ended: 128 and the signal's number, as shells have it."""

_SHOW_CURSOR = "\r\x1b[2K\x1b[?25h"
"""Take the progress bar away; while it is there, the cursor is not (ECMA-48, and DEC private mode 25)."""


def stop_at_once_on_interrupt() -> None:
    """From now on; unless whoever started the command had it ignore the signal, as `nohup` and `&` do."""
    if signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        return
    waiting, telling = socket.socketpair()  # which Windows can wait for too, unlike a pipe
    telling.setblocking(False)
    with suppress(RuntimeError):  # no more threads are to be had; then Python does what it always does
        # threading's own would wait for ever for a thread that has no memory to begin in
        _thread.start_new_thread(_stop, (waiting, telling))
        signal.set_wakeup_fd(telling.fileno(), warn_on_full_buffer=False)
        signal.signal(signal.SIGINT, lambda *_: None)


def _stop(waiting: socket.socket, telling: socket.socket) -> None:
    """Ends the process once a signal comes. `telling` is only kept from being closed."""
    while signal.SIGINT not in waiting.recv(1):
        pass
    with suppress(OSError, ValueError):
        terminal = _SHOW_CURSOR if sys.stderr.isatty() else ""
        os.write(sys.stderr.fileno(), f"{terminal}sendoff: stopped\n".encode())
    abandon()
    os._exit(STATUS)

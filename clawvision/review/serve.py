"""The review page's server as a process: its address, its start, and its clean end."""

from __future__ import annotations

import contextlib
import ipaddress
import secrets
import socket
import webbrowser
from collections.abc import Callable

import uvicorn

from clawvision.errors import UsageError
from clawvision.review.app import make_app
from clawvision.review.workbench import Workbench


def serve(bench: Workbench, *, host: str, port: int, open_browser: bool, tell: Callable[[str], None]) -> None:
    """Serve the page until it is interrupted.

    Parameters
    ----------
    bench
        The photos under review.
    host, port
        Where to listen; port 0 takes a free one.
    open_browser
        Whether to show the page in the usual browser.
    tell
        Is given the page's address.

    Raises
    ------
    UsageError
        If that address cannot be listened at.
    """
    try:
        address = ipaddress.ip_address(host)
    except ValueError as error:
        raise UsageError(f"{host} is no IP address.", "Give one of this machine, or leave --host out.") from error
    if address.is_unspecified:
        raise UsageError(
            f"{host} stands for every address of this machine.", "Give the one that the other computer uses."
        )
    family = socket.AF_INET6 if address.version == 6 else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, port))
            listener.listen()  # a browser that is faster than the server waits, and is not turned away
        except OSError as error:
            raise UsageError(
                f"{host}, port {port}, cannot be listened at: {error.strerror}.", "Choose another with --port."
            ) from error
        taken = listener.getsockname()[1]
        token = secrets.token_urlsafe(32)
        shown = f"[{host}]" if address.version == 6 else host
        names = {f"{shown}:{taken}"} | ({f"localhost:{taken}"} if address.is_loopback else set())
        app = make_app(bench, token, frozenset(names))
        config = uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            server_header=False,
            lifespan="off",
            ws="none",
            timeout_graceful_shutdown=2,
            proxy_headers=False,
        )
        url = f"http://{shown}:{taken}/?token={token}"
        # The server ends by itself on an interrupt, and raises it again once it has.
        with contextlib.suppress(KeyboardInterrupt):
            tell(url)
            if open_browser:
                webbrowser.open(url)
            uvicorn.Server(config).run(sockets=[listener])

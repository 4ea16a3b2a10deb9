"""Serving the page, from when it is opened until Ctrl-C."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from pathlib import Path

import uvicorn

from flashpan.errors import UsageError
from flashpan.night.reviewbook import ReviewBook
from flashpan.review.app import make_app
from flashpan.review.guard import Guard, checked_token, names_of, refuse_wildcard

LOOPBACK = "127.0.0.1"


def review(
    dest: str | os.PathLike[str],
    *,
    host: str = LOOPBACK,
    port: int = 0,
    token: str | None = None,
    on_address: Callable[[str], object] = print,
) -> None:
    """Serve the page of a night until it is stopped.

    Parameters
    ----------
    dest : path-like
        The night.
    host : str
        Address to listen at; other than this machine's own needs ``token``.
    port : int
        0 for any that is free.
    token : str, optional
        What the address must carry; a new one by default.
    on_address : callable
        Told the address to open, once it can be.

    Raises
    ------
    UsageError
        The address cannot be had, or would let others in without a token of one's own.
    CatalogError
        There is no night there.
    """
    refuse_wildcard(host)
    secret = checked_token(host, token)
    with listening(host, port) as listener:
        server, address = prepared(dest, host=host, port=listener.getsockname()[1], token=secret)
        on_address(address)
        server.run(sockets=[listener])


def prepared(
    dest: str | os.PathLike[str], *, host: str, port: int, token: str
) -> tuple[uvicorn.Server, str]:
    """A server that is ready to run, and the address that lets in."""
    with ReviewBook.open(dest):
        pass  # said at once, and an earlier version brought up to date
    app = Guard(
        make_app(Path(dest).absolute()),
        token=token,
        names=names_of(host, port),
        cookie=f"flashpan_{port}",
    )
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        date_header=False,
        lifespan="off",
        ws="none",
        timeout_graceful_shutdown=2,
    )
    shown = f"[{host}]" if ":" in host else host
    return uvicorn.Server(config), f"http://{shown}:{port}/?token={token}"


def listening(host: str, port: int) -> socket.socket:
    """A socket that listens.

    Raises
    ------
    UsageError
        The address is not this machine's, or is taken.
    """
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        listener = socket.socket(family, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
    except OSError as error:
        raise UsageError(
            f"{host}:{port}: cannot be listened at ({error.strerror}); choose another --port, or"
            " --host"
        ) from error
    return listener

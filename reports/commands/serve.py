"""`trimshot serve`: the programme in a browser, reachable from this computer alone."""

from __future__ import annotations

import socket
from pathlib import Path

import click

from ...shared.errors import SettingsError
from .options import programme_of, programme_option


@click.command()
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port; default: any that is free.")
@click.option("--no-browser", is_flag=True, help="Print the address with its key and open no browser.")
@programme_option
@click.pass_context
def serve(ctx: click.Context, port: int, no_browser: bool, programme: Path | None) -> None:
    """Show the programme in your browser: add sorties, look, ask, judge. Ctrl-C ends it.

    The server listens on this computer's own address only; no other computer can reach it, and no other user of this one
    without the key in the printed address, which is another at every start. A program sends it as the header
    `Authorization: Bearer KEY`; every page is JSON with `?format=json`.
    """
    handle = programme_of(ctx, programme)
    try:
        import uvicorn

        from ..web.access import PARAMETER, Access
        from ..web.app import create_app
        from ..web.protection import loopback_hosts
    except ModuleNotFoundError as error:
        raise SettingsError(
            "the pages need a package that is not installed", found=str(error.name), do="pip install 'trimshot[web]'"
        ) from None
    listener = _listen(port)
    number = listener.getsockname()[1]
    listener.listen(128)  # the browser may come before the server has begun: it waits
    address, access = f"http://127.0.0.1:{number}/?{PARAMETER}=", Access(number)
    app = create_app(handle, loopback_hosts(number), access)
    server = uvicorn.Server(
        uvicorn.Config(app, log_level="warning", access_log=False, server_header=False, timeout_graceful_shutdown=3)
    )
    click.echo(f"{address}{access.key} shows {handle.folder.name}; Ctrl-C ends it")
    if not no_browser:
        click.launch(address + access.make_single())
    with listener:
        server.run(sockets=[listener])


def _listen(port: int) -> socket.socket:
    """A socket on the loopback address. Raises SettingsError when the port is taken."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("127.0.0.1", port))
    except OSError as error:
        listener.close()
        raise SettingsError(
            "the port cannot be used", found=f"{port}: {error.strerror}", do="leave --port out"
        ) from None
    return listener

"""The command `desk`: the pages of stored sessions, without a gateway."""

import signal
import threading
import webbrowser
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from plantigrade_gateway.cli.pages import PageChoice, serving_options, web_options

if TYPE_CHECKING:
    from plantigrade_gateway.web.live.page import WebOptions

_LOOK_S = 0.1


def register(
    group: click.Group,
    store_option: Callable[[Any], Any],
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the command to a group, as `register` of `cli/run.py` does."""

    @group.command()
    @serving_options
    @store_option
    @click.pass_context
    def desk(ctx: click.Context, page: PageChoice) -> None:
        """Show the stored sessions in the browser, until Ctrl-C; insoles are not needed."""
        from plantigrade_gateway.report.console import console

        store = store_of(ctx)
        order = web_options(page, store, show=False)
        assert order is not None  # there is no --no-page
        _serve(order, store, show=console().is_terminal)


def _serve(order: "WebOptions", store: Path | None, *, show: bool) -> None:
    from plantigrade_gateway.store import schema
    from plantigrade_gateway.store.store import Store
    from plantigrade_gateway.web.live.page import has_screen, opened_page

    path = schema.default_path() if store is None else store
    Store.open(path, read_only=True).close()  # one that is not there is not made
    told = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: told.set())
    order = replace(order, has_gateway=False)
    with opened_page(order, path, lambda _: None, click.echo) as page:
        assert page is not None
        while page.url is None and not page.has_ended and not told.wait(_LOOK_S):
            pass  # slow to start, which was said
        if page.url is not None:
            url = f"{page.url}sessions"
            click.echo(f"Stored sessions: {url}")
            if show and has_screen():
                webbrowser.open(url)
        told.wait()

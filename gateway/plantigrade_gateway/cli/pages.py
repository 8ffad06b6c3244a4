"""The options of the pages, and the command `password`. Arguments in, what they ask for out."""

import functools
import sys
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from plantigrade_gateway.cli.arguments import PATH, WholeWithin
from plantigrade_gateway.errors import InputError

if TYPE_CHECKING:
    from plantigrade_gateway.web.live.page import WebOptions

_TRIES = 3
_WHETHER = click.option("--page/--no-page", default=True, help="Serve the live page.")
_HOW = (
    click.option(
        "--port",
        type=WholeWithin(0, 65535),
        metavar="N",
        help="The page's port; 0: any free one.  [default: 8642]",
    ),
    click.option("--lan", is_flag=True, help="Open the page to the local network, by a password."),
    click.option(
        "--password-file",
        type=PATH,
        metavar="FILE",
        help="Take the password for --lan from this file, where nobody is there to type it.",
    ),
    click.option("--tls-cert", type=PATH, metavar="FILE", help="The page's certificate (PEM)."),
    click.option("--tls-key", type=PATH, metavar="FILE", help="The certificate's key (PEM)."),
)


@dataclass(frozen=True, slots=True)
class PageChoice:
    """What a command's options say of the page, as they were given."""

    page: bool = True
    port: int | None = None
    lan: bool = False
    password_file: Path | None = None
    tls_cert: Path | None = None
    tls_key: Path | None = None


def page_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Let a command serve the page or not; it is given this as one, `page`, a `PageChoice`."""
    return _WHETHER(serving_options(command))


def serving_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Let a command that is nothing without its pages be told how to serve them, likewise."""
    names = [field.name for field in fields(PageChoice)]

    @functools.wraps(command)
    def collected(*arguments: Any, **options: Any) -> Any:  # noqa: ANN401 - click's own signature
        wish = PageChoice(**{name: options.pop(name) for name in names if name in options})
        return command(*arguments, page=wish, **options)

    for option in reversed(_HOW):
        collected = option(collected)
    return collected


def web_options(wish: PageChoice, store: Path | None, *, show: bool) -> "WebOptions | None":
    """Return how the page is served, None where none is wanted; see that there is a password.

    Raises
    ------
    InputError
        Options that do not fit together, no password, or a certificate that cannot be used.
    """
    from plantigrade_gateway.web.door import certificate
    from plantigrade_gateway.web.live.page import WebOptions

    if not wish.page:
        if wish.lan:
            raise InputError("--lan: opens the page to others, leave --no-page out")
        return None
    if wish.password_file is not None and not wish.lan:
        raise InputError("--password-file: is for --lan; on this machine nobody signs in")
    tls = certificate.checked(wish.tls_cert, wish.tls_key)
    if wish.lan:
        see_to_password(store, wish.password_file)
    return WebOptions(port=wish.port, show=show, lan=wish.lan, certificate=tls)


def see_to_password(path: Path | None, file: Path | None) -> None:
    """See that a store has a password: the one of a file, or one that is asked for.

    Raises
    ------
    InputError
        There is none, and nobody is there to be asked.
    """
    from plantigrade_gateway.store.store import Store
    from plantigrade_gateway.web.door import password

    with Store.open(path) as store:
        if file is not None:
            if password.put_if_other(store.database, password.from_file(file)):
                click.echo(f"The password is now that of {file}; every device is signed out.")
        elif not password.is_set(store.database):
            if not sys.stdin.isatty():
                raise InputError(
                    "--lan: no password is set; set one with plantigrade password in a terminal, "
                    "or name a file with --password-file"
                )
            click.echo("Others sign in to this gateway's pages with a password. Choose one.")
            password.put(store.database, _asked())


def register(
    group: click.Group,
    store_option: Callable[[Any], Any],
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the command to a group, as `register` of `cli/run.py` does."""

    @group.command()
    @click.option("--password-file", type=PATH, metavar="FILE", help="Take it from this file.")
    @store_option
    @click.pass_context
    def password(ctx: click.Context, password_file: Path | None) -> None:
        """Set or change the password for --lan, and sign every device out."""
        _change(store_of(ctx), password_file)


def _change(path: Path | None, file: Path | None) -> None:
    from plantigrade_gateway.store.store import Store
    from plantigrade_gateway.web.door import password

    if file is None and not sys.stdin.isatty():
        raise InputError("password: is asked for in a terminal, or taken from --password-file")
    text = _asked() if file is None else password.from_file(file)
    with Store.open(path) as store:
        password.put(store.database, text)
    click.echo("The password is set. Every device is signed out.")


def _asked() -> str:
    """Ask for a new password, twice; nothing of it is shown."""
    from plantigrade_gateway.web.door import password

    for left in reversed(range(_TRIES)):
        try:
            text = password.checked(
                click.prompt(
                    f"New password, at least {password.LEAST} characters",
                    hide_input=True,
                )
            )
            if password.plain(click.prompt("Once more", hide_input=True)) == text:
                return text
            raise InputError("password: the two differ")
        except InputError as error:
            if not left:
                raise
            click.echo(f"{error}. Try again.", err=True)
    raise AssertionError  # the last try returns or raises

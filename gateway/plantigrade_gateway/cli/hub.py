"""The commands `hub …`: a site's hub served, its bays, its archive, and who deleted what."""

import re
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from plantigrade_gateway.cli.arguments import PATH, NumberWithin, WholeWithin
from plantigrade_gateway.cli.forward import config_of, settings_option
from plantigrade_gateway.extras import need

if TYPE_CHECKING:
    import sqlalchemy as sa

    from plantigrade_gateway.config import Config

_UNNAMED = re.compile(r"[^a-z0-9_-]")


def _default_data() -> Path:
    import platformdirs

    return platformdirs.user_data_path("plantigrade-hub", appauthor=False)


def _data_option(command: Callable[..., Any]) -> Callable[..., Any]:
    return click.option(
        "--data",
        type=PATH,
        metavar="DIR",
        help="The hub's folder, instead of this machine's own.",
    )(command)


def _objects_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for option in (
        click.option(
            "--objects",
            metavar="PLACE",
            envvar="PLANTIGRADE_HUB_OBJECTS",
            help="Where records are kept: a folder, or a URL such as s3://BUCKET/PREFIX.  "
            "[default: objects in the hub's folder]",
        ),
        click.option(
            "--name", metavar="NAME", help="This hub's name.  [default: the machine's name]"
        ),
    ):
        command = option(command)
    return command


def register(group: click.Group, json_option: Callable[[Any], Any]) -> None:
    """Add the commands to a group."""

    @group.group()
    def hub() -> None:
        """Run the hub of a site with several bays: its desk, and what the bays hand over."""

    _register_bays(hub, json_option)
    _register_serve(hub)

    @hub.command()
    @_objects_options
    @_data_option
    @click.pass_context
    def rebuild(
        ctx: click.Context, data: Path | None, objects: str | None, name: str | None
    ) -> None:
        """Make the working store again from the objects; nothing that was said is touched.

        A session with a spoilt object is said and holds up no other; then the exit code is 1.
        """
        need("the objects of a hub", "obstore", "hub")
        from plantigrade_gateway.child import AtWork
        from plantigrade_gateway.errors import InputError
        from plantigrade_gateway.hub.intake import Intake
        from plantigrade_gateway.hub.names import alone, store_path
        from plantigrade_gateway.hub.objects import Objects

        folder = data or _default_data()
        place = (folder, Objects.of(_place(folder, objects)), _named(name))
        try:
            with alone(folder), Intake(*place) as intake:
                spoilt = intake.rebuild(click.echo)
        except AtWork:
            raise InputError(f"hub {store_path(folder)}: is at work; stop it first") from None
        if spoilt:
            click.echo(f"Sessions with something spoilt: {spoilt}; all others are made again.")
            ctx.exit(1)
        click.echo("The working store is as the objects are.")

    @hub.command()
    @click.option(
        "--days",
        type=NumberWithin(0.01, 60.0),
        default=2.0,
        show_default=True,
        help="How long the bays are asked.",
    )
    @_data_option
    def recover(days: float, data: Path | None) -> None:
        """Fetch back from the bays what this hub's desk said, after a backup was restored.

        As long as that lasts, every bay may give what was said at this hub before.
        """
        from datetime import UTC, datetime, timedelta

        from plantigrade_gateway.errors import InputError
        from plantigrade_gateway.hub.places import Places

        until = datetime.now(UTC) + timedelta(days=days)
        with _tables(data) as engine:
            count = Places(engine).lend(round(until.timestamp() * 1000))
        if not count:
            raise InputError(
                "recover: this hub has no place of before; it is for a hub whose backup was "
                "restored, in which bays had been"
            )
        click.echo(
            f"Until {until:%Y-%m-%d %H:%M} UTC each bay that comes gives back what it has of this "
            "hub's own words."
        )

    @hub.command()
    @json_option
    @_data_option
    def deletions(data: Path | None, as_json: bool) -> None:
        """List of each deleted player which places have confirmed it, and which not."""
        from plantigrade_gateway.converter import plain, text_of
        from plantigrade_gateway.hub.bays import Bays
        from plantigrade_gateway.hub.deletions import Deletions

        with _tables(data) as engine:
            found = list(Deletions(engine).all())
            gone = [bay.name for bay in Bays(engine).all() if bay.withdrawn is not None]
        if as_json:
            click.echo(text_of([plain(one) for one in found]))
            return
        if not found:
            click.echo("No player was deleted.")
        last = ""
        for one in found:
            if one.player_id != last:
                last = one.player_id
                click.echo(f"player {last}")
            click.echo(f"  {one.line(gone)}")


def _register_bays(hub: click.Group, json_option: Callable[[Any], Any]) -> None:
    @hub.group()
    def bay() -> None:
        """Add, list, withdraw and forget the bays of the site and their credentials."""

    @bay.command()
    @click.argument("name")
    @_data_option
    def add(name: str, data: Path | None) -> None:
        """Add a bay and print its credential, once: only a hash of it is kept."""
        from plantigrade_gateway.hub.bays import Bays

        with _tables(data) as engine:
            credential = Bays(engine).add(name)
        click.echo(credential)
        click.echo(
            f"This is bay {name}'s credential; it is not shown again. Put it into the file that "
            "hub.token_file names there, readable by its owner alone.",
            err=True,
        )

    @bay.command(name="list")
    @json_option
    @_data_option
    def list_(data: Path | None, as_json: bool) -> None:
        """List the bays, and when each was last there."""
        from plantigrade_gateway.converter import plain, text_of
        from plantigrade_gateway.hub.bays import Bays
        from plantigrade_gateway.hub.places import Places

        with _tables(data) as engine:
            found = Bays(engine).all()
            counts, refused = Places(engine).counts(), Places(engine).refusals()
        if as_json:
            lines = [
                {**plain(one), "places": counts.get(one.name, 0), "refused": refused.get(one.name)}
                for one in found
            ]
            click.echo(text_of(plain(lines)))
            return
        if not found:
            click.echo("No bay yet: add one with plantigrade hub bay add NAME.")
        for one in found:
            seen = f"last here {one.seen:%Y-%m-%d %H:%M} UTC" if one.seen else "never here"
            gone = f", withdrawn {one.withdrawn:%Y-%m-%d %H:%M} UTC" if one.withdrawn else ""
            click.echo(f"{one.name}: added {one.added:%Y-%m-%d}, {seen}{gone}")
            if (last := refused.get(one.name)) is not None:
                click.echo(f"  {last.text}")

    @bay.command()
    @click.argument("name")
    @_data_option
    def withdraw(name: str, data: Path | None) -> None:
        """Let a bay's credential open nothing, from now on."""
        from plantigrade_gateway.hub.bays import Bays

        with _tables(data) as engine:
            Bays(engine).withdraw(name)
        click.echo(f"Bay {name}'s credential opens nothing any more; what it handed over stays.")

    @bay.command()
    @click.argument("name")
    @_data_option
    def release(name: str, data: Path | None) -> None:
        """Let go of the places that are a bay's, for a store that goes on at another bay.

        A place is where changes are said; the bay that gives one of them next has it.
        """
        from plantigrade_gateway.hub.bays import checked_name
        from plantigrade_gateway.hub.places import Places

        with _tables(data) as engine:
            count = Places(engine).release(checked_name(name, "bay"))
        click.echo(f"Places of bay {name} let go of: {count}.")

    @bay.command()
    @click.argument("name")
    @_data_option
    @settings_option
    @click.pass_context
    def forget(ctx: click.Context, name: str, data: Path | None) -> None:
        """Forget a bay that is no more: no list has it, and no deletion waits for it.

        Its credential must be withdrawn. What it handed over and said stays.
        """
        from plantigrade_gateway.hub.bays import Bays
        from plantigrade_gateway.hub.deletions import Deletions
        from plantigrade_gateway.people.hubtables import bay_place

        with _tables(data) as engine:
            Bays(engine).forget(name)
            owed = sorted(Deletions(engine).waiting(bay_place(name)))
        click.echo(f"Bay {name} is forgotten; what it handed over and said stays.")
        for player_id in owed:
            click.echo(
                f"The deletion of player {player_id} waits for it no longer: if the machine is "
                "there, delete the player on it yourself."
            )
        _take_back(config_of(ctx), name)


def _take_back(config: "Config", bay: str) -> None:
    """Take a bay from the roster, where the settings name a broker."""
    import asyncio

    if config.text("mqtt.host") is None:
        return
    from plantigrade_gateway.forward.courier import ItemRejected, SinkUnavailable
    from plantigrade_gateway.forward.mqtt import Broker

    try:
        asyncio.run(Broker(config).take_back(bay))
    except (ItemRejected, SinkUnavailable) as away:
        click.echo(f"The page Bays may still show it: {away}.")
    else:
        click.echo("The broker keeps no last words of it for the page Bays.")


def _register_serve(hub: click.Group) -> None:
    @hub.command()
    @_data_option
    @click.option(
        "--host", default="127.0.0.1", show_default=True, help="The address to listen at."
    )
    @click.option("--port", type=WholeWithin(0, 65535), metavar="N", help="[default: 8643]")
    @click.option("--tls-cert", type=PATH, metavar="FILE", help="The hub's certificate (PEM).")
    @click.option("--tls-key", type=PATH, metavar="FILE", help="The certificate's key (PEM).")
    @click.option(
        "--password-file",
        type=PATH,
        metavar="FILE",
        help="Take the desk's password from this file.",
    )
    @_objects_options
    @settings_option
    @click.pass_context
    def serve(
        ctx: click.Context,
        data: Path | None,
        host: str,
        port: int | None,
        tls_cert: Path | None,
        tls_key: Path | None,
        password_file: Path | None,
        objects: str | None,
        name: str | None,
    ) -> None:
        """Serve the desk and the bays, until Ctrl-C.

        Beyond this machine only under TLS, and the desk only to who signs in.
        """
        need("the objects of a hub", "obstore", "hub")
        from plantigrade_gateway.cli.pages import see_to_password
        from plantigrade_gateway.errors import InputError
        from plantigrade_gateway.hub.names import store_path
        from plantigrade_gateway.hub.serve import PORT, HubOrder
        from plantigrade_gateway.hub.serve import serve as serve_hub
        from plantigrade_gateway.web.door import certificate

        folder = data or _default_data()
        order = HubOrder(
            folder,
            _place(folder, objects),
            _named(name),
            host,
            PORT if port is None else port,
            certificate.checked(tls_cert, tls_key),
            config_of(ctx),
        )
        if order.is_open:
            see_to_password(store_path(folder), password_file)
        elif password_file is not None:
            raise InputError("--password-file: is for --host; on this machine nobody signs in")
        serve_hub(order, click.echo)


def _place(data: Path, objects: str | None) -> str:
    from plantigrade_gateway.hub.names import objects_place

    return objects_place(data) if objects is None else objects


def _named(name: str | None) -> str:
    """Return the hub's name: the one that was given, else one made of the machine's."""
    from plantigrade_gateway.hub.bays import checked_name

    if name is not None:
        return checked_name(name, "--name")
    return _UNNAMED.sub("-", socket.gethostname().lower()).strip("-_")[:32] or "hub"


@contextmanager
def _tables(data: Path | None) -> Iterator["sa.Engine"]:
    """Open the tables of a site."""
    from plantigrade_gateway.hub.names import store_path
    from plantigrade_gateway.people.tables import engine_for, explained, migrate
    from plantigrade_gateway.store.store import Store

    path = store_path(data or _default_data())
    Store.open(path).close()  # made where there is none
    engine = engine_for(path)
    try:
        with explained(path):
            migrate(engine)
            yield engine
    finally:
        engine.dispose()

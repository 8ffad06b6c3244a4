"""One hub bears a name at a time: by it deletions are confirmed, and one would for the other."""

from contextlib import suppress

import sqlalchemy as sa

from plantigrade_gateway.errors import StoreError

_LOCK = 7002
_SETTINGS = ("tcp_keepalives_idle = 10", "tcp_keepalives_interval = 5", "tcp_keepalives_count = 3")
"""So that the server lets go of a hub that vanished within half a minute, s."""


class Bearer:
    """Holds a hub's name on a server's tables, as long as its connection lasts.

    On tables in a file a site has one hub: there is nothing to hold.

    Parameters
    ----------
    engine : sqlalchemy.Engine
    name : str
    """

    def __init__(self, engine: sa.Engine, name: str) -> None:
        self._engine = engine
        self._name = name
        self._held: sa.Connection | None = None

    def hold(self) -> None:
        """Hold the name, or go on holding it.

        Raises
        ------
        StoreError
            Another hub of these tables bears it now.
        sqlalchemy.exc.DBAPIError
            The server refuses.
        """
        if self._engine.dialect.name != "postgresql" or self._holds():
            return
        connection = self._engine.execution_options(isolation_level="AUTOCOMMIT").connect()
        connection.detach()  # what is closed then ends on the server, and its lock with it
        try:
            for setting in _SETTINGS:
                connection.exec_driver_sql(f"SET {setting}")
            # Sites may share a database, each with a schema of its own.
            named = sa.func.hashtext(sa.func.concat(sa.func.current_schema(), "/", self._name))
            is_free = connection.scalar(sa.select(sa.func.pg_try_advisory_lock(_LOCK, named)))
            if not is_free:
                raise StoreError(
                    f"hub {self._name}: another hub on these tables is called so too, and "
                    "deletions are confirmed by name; this one waits until it has ended: give "
                    "each a name of its own (--name)"
                )
        except BaseException:
            connection.close()
            raise
        self._held = connection

    def _holds(self) -> bool:
        if self._held is not None:
            try:
                self._held.exec_driver_sql("SELECT 1")
                return True
            except sa.exc.DBAPIError:  # the connection is lost, and the name with it
                self.let_go()
        return False

    def let_go(self) -> None:
        """Let another hub bear the name."""
        held, self._held = self._held, None
        if held is not None:
            with suppress(sa.exc.DBAPIError):
                held.close()

"""A real PostgreSQL in a process that can be killed, and empty people's tables in it.

Debian's server, in a folder of its own, on a socket there; it refuses root, so then it runs as the
user that Debian's package makes. It ends with the tests, and at once if they are killed. A commit
stands the process being killed, not the machine: the disk is not waited for. Its files may lie on a
small disk of their own, which can be filled.
"""

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from urllib.parse import quote

import psycopg
import sqlalchemy as sa
from tests.support.procfs import cpu_s
from tests.support.servers import program
from tests.support.tinydisk import mounted
from tests.support.waiting import HANG_S

from plantigrade_gateway.people import hubtables, tables

USER = "people"
_AS = ["--reuid=postgres", "--regid=postgres", "--clear-groups"]


class Postgres:
    """A server; skips where it cannot be installed.

    Parameters
    ----------
    disk : str, optional
        The size of a disk of its own for its files, as ``256m``; raises `NoDisk` where this user
        may not mount one.
    """

    def __init__(self, disk: str | None = None) -> None:
        self._programs = Path(program("postgresql"))
        self._folder = Path(tempfile.mkdtemp(prefix="pg"))  # short: a socket's path has 107 bytes
        self._disk = ExitStack()
        self.data.mkdir(mode=0o700)
        if disk is not None:
            try:
                self._disk.enter_context(mounted(self.data, disk))
            except BaseException:
                shutil.rmtree(self._folder)
                raise
        if os.geteuid() == 0:
            for one in (self._folder, self.data):
                shutil.chown(one, "postgres", "postgres")
        self.data.chmod(0o700)
        self._settings = {"min_wal_size": "2MB", "max_wal_size": "16MB"} if disk else {}
        self._log = self._folder / "log"
        self._process: subprocess.Popen[bytes] | None = None
        self._engine = tables.server_engine(self.url("public"))
        self._schemas = 0
        self._free: list[str] = []
        flags = ["-A", "trust", "-U", USER, "-E", "UTF8", "--locale=C.UTF-8"]
        flags += ["--wal-segsize=1"] if disk else []  # its log of writes takes little, too
        subprocess.run(
            self._command("initdb", "-D", str(self.data), "-N", "--no-instructions", *flags),
            check=True,
            capture_output=True,
        )

    @property
    def data(self) -> Path:
        """The folder of the server's files."""
        return self._folder / "data"

    def _command(self, name: str, *arguments: str) -> list[str]:
        setpriv = ["setpriv", "--pdeathsig", "QUIT", *(_AS if os.geteuid() == 0 else [])]
        return [*setpriv, str(self._programs / name), *arguments]

    def start(self) -> None:
        assert self._process is None
        settings = {
            "listen_addresses": "",
            "unix_socket_directories": str(self._folder),
            "fsync": "off",
            "shared_buffers": "16MB",
            **self._settings,
        }
        options = [word for key, value in settings.items() for word in ("-c", f"{key}={value}")]
        with open(self._log, "ab") as log:
            self._process = subprocess.Popen(
                self._command("postgres", "-D", str(self.data), *options),
                stdout=log,
                stderr=log,
            )
        end = time.monotonic() + HANG_S
        while not self._answers():
            assert self._process.poll() is None, self._log.read_text(errors="replace")[-2000:]
            assert time.monotonic() < end, "it does not answer"
            time.sleep(0.02)

    @property
    def has_died(self) -> bool:
        """Whether it was started and has ended by itself."""
        return self._process is not None and self._process.poll() is not None

    def _answers(self) -> bool:
        with suppress(psycopg.OperationalError):
            psycopg.connect(host=str(self._folder), user=USER, dbname="postgres").close()
            return True
        return False

    def kill(self) -> None:
        """Kill it and all its processes, as the machine's own out-of-memory killer does."""
        assert self._process is not None
        if not self.has_died:
            self._process.send_signal(signal.SIGSTOP)  # it makes no other process meanwhile
            self._signal(signal.SIGKILL)
            self._process.wait(HANG_S)
        self._process = None

    def pause(self) -> None:
        """Let it and all its processes stand still."""
        self._signal(signal.SIGSTOP)

    def go_on(self) -> None:
        self._signal(signal.SIGCONT)

    def _signal(self, number: signal.Signals) -> None:
        for pid in self._pids():
            with suppress(ProcessLookupError):
                os.kill(pid, number)

    def _pids(self) -> list[int]:
        """Return its processes; each is in a session of its own, and all are children of one."""
        assert self._process is not None
        first = self._process.pid
        children = Path(f"/proc/{first}/task/{first}/children").read_text()
        return [first, *map(int, children.split())]

    def cpu_s(self) -> float:
        """Return the CPU time that the processes it has now have taken, s."""
        return sum(cpu_s(pid) for pid in self._pids())

    def stop(self) -> None:
        """Stop it without waiting for those that are connected."""
        process, self._process = self._process, None
        if process is not None:
            process.send_signal(signal.SIGINT)
            process.wait(HANG_S)

    def close(self) -> None:
        """End it, and delete its files."""
        self._engine.dispose()
        try:
            self.stop()
        finally:
            self._disk.close()
            shutil.rmtree(self._folder)

    def url(self, schema: str) -> str:
        """Return what SQLAlchemy calls a schema of its one database."""
        return (
            f"postgresql+psycopg://{USER}@/postgres?host={quote(str(self._folder))}"
            f"&options=-csearch_path%3D{schema}"
        )

    @contextmanager
    def people(self) -> Iterator[str]:
        """Give the URL of empty people's tables; emptied after, they are given again."""
        name = self._free.pop() if self._free else self._made()
        yield self.url(name)
        with self._engine.begin() as db:
            there = db.execution_options(schema_translate_map={None: name})
            for table in reversed([*tables.META.sorted_tables, *hubtables.META.sorted_tables]):
                if table is not tables.VERSION:
                    there.execute(table.delete())
        self._free.append(name)

    def _made(self) -> str:
        self._schemas += 1
        name = f"s{self._schemas}"
        with self._engine.begin() as db:
            db.execute(sa.schema.CreateSchema(name))
        engine = tables.server_engine(self.url(name))
        tables.migrate(engine)
        engine.dispose()
        return name


@contextmanager
def postgres(disk: str | None = None) -> Iterator[Postgres]:
    """Start a server, on a disk of its own where a size is given, and end it."""
    server = Postgres(disk)
    try:
        server.start()
        yield server
    finally:
        server.close()

"""The way to the hub: what stands in it is one line, and nothing is told to anybody else."""

import contextlib
import json
import socket
import ssl
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.support.bay import until
from tests.support.certificates import made
from tests.support.fakehub import TOKEN, FakeHub
from tests.support.program import Program
from tests.support.servers import free_port
from tests.support.syncing import SyncBay, settings

from plantigrade_gateway import config
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.store import hubstate
from plantigrade_gateway.sync.link import LARGEST_ANSWER, Hub, check

pytestmark = pytest.mark.dear

SECRET = TOKEN.partition(".")[2]


def bay_config(folder: Path, url: str, **more: str) -> config.Config:
    (folder / "settings.toml").write_text("", "utf-8")
    return config.load(folder / "settings.toml", settings(url, **more))


async def found(folder: Path, url: str, **more: str) -> str:
    result = await check(bay_config(folder, url, **more))
    assert not result.well and SECRET not in result.found and "\n" not in result.found
    return result.found


async def test_a_hub_that_is_there_is_said(tmp_path):
    async with FakeHub().running() as hub:
        result = await check(bay_config(tmp_path, hub.url))
    assert result.well and result.found.startswith(f"hub {hub.url}: answers within ")
    assert len(hub.requests) == 1 and hub.heads == {}


async def test_what_is_in_the_way_is_one_line(tmp_path):
    port = free_port()
    closed = f"http://127.0.0.1:{port}"
    assert await found(tmp_path, closed) == f"hub {closed}: the connection is refused"
    # A name that nobody may have: RFC 6761, section 6.4.
    unknown = "https://hub.invalid:8643"
    assert await found(tmp_path, unknown) == f"hub {unknown}: its name is not found"
    hub = FakeHub()
    hub.token = "bay1.another"
    async with hub.running():
        assert "does not take this bay's credential" in await found(tmp_path, hub.url)
    hub.token = TOKEN
    async with hub.running():
        for fault, said in (
            ("moved", "sends elsewhere, where nothing is sent"),
            ("garbage", "does not answer as a hub does"),
            ("500", "takes nothing now (500)"),
            ("endless", f"answers with more than {LARGEST_ANSWER} bytes"),
            ("no HTTP", "answers with what is no HTTP"),
            ("other JSON", "says that it has -5 pieces"),
        ):
            hub.faults.append(fault)
            assert said in await found(tmp_path, hub.url), fault


async def test_a_server_that_never_answers_is_given_up(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as silent:
        url = f"http://127.0.0.1:{silent.getsockname()[1]}"
        said = await found(tmp_path, url, hub_timeout_s="0.3")
    assert said == f"hub {url}: does not answer within 0.3 s"


async def test_a_redirect_takes_the_credential_nowhere(tmp_path):
    hub = FakeHub()
    hub.faults.append("moved")
    async with hub.running():
        await found(tmp_path, hub.url)
    assert len(hub.requests) == 1  # and not /else, where it was sent


def serving(
    folder: Path, name: str, names: tuple[str, ...], days: tuple[int, int] = (-1, 30)
) -> tuple[ssl.SSLContext, Path]:
    """Make a certificate; return what serves under it, and its file."""
    cert, key = made(folder, name, days, names)
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    tls.load_cert_chain(cert, key)
    return tls, cert


@pytest.fixture
def certificate(tmp_path: Path) -> tuple[ssl.SSLContext, Path]:
    return serving(tmp_path, "hub", ("localhost",))


async def test_over_tls_with_the_hubs_own_certificate_alone(tmp_path, certificate):
    tls, cert = certificate
    other, _ = made(tmp_path, "other", names=("localhost",))
    bay = SyncBay(tmp_path / "bay")
    session = bay.record(5)
    async with FakeHub().running(tls) as hub:
        assert hub.url.startswith("https://localhost:")
        for more in ({}, {"hub_ca_file": str(other)}):
            said = await found(tmp_path, hub.url, **more)
            assert "its certificate is not trusted" in said and "hub.ca_file" in said
        assert hub.requests == []  # no credential was told before
        async with bay.syncing(hub, hub_ca_file=str(cert)):
            await until(lambda: session in hub.ends)
    assert hub.pieces[session] == bay.pieces(session)
    bay.close()


@pytest.mark.parametrize(
    ("names", "days", "why", "advice"),
    [
        (("hub.example",), (-1, 30), "localhost", "name it in hub.url as its certificate does"),
        (("localhost",), (-30, -1), "expired", "a new one there, and to this machine's clock"),
        (("localhost",), (2, 30), "not yet valid", "see to the clocks of both machines"),
    ],
)
async def test_a_certificate_that_cannot_be_trusted_says_what_helps(
    tmp_path, names, days, why, advice
):
    """To name it as hub.ca_file, where it is named already, does not."""
    tls, cert = serving(tmp_path, "hub", names, days)
    async with FakeHub().running(tls) as hub:
        said = await found(tmp_path, hub.url, hub_ca_file=str(cert))
    assert said.startswith(f"hub {hub.url}: its certificate is not trusted (") and why in said
    assert said.endswith(advice) and "hub.ca_file" not in said and "\n" not in said
    assert hub.requests == []


async def test_a_certificate_that_expired_is_said_and_what_was_recorded_goes_over_under_the_next(
    tmp_path,
):
    old, old_cert = serving(tmp_path, "old", ("localhost",), (-30, -1))
    new, new_cert = serving(tmp_path, "new", ("localhost",), (-1, 30))
    both = tmp_path / "both.pem"
    both.write_bytes(old_cert.read_bytes() + new_cert.read_bytes())
    bay, hub = SyncBay(tmp_path / "bay"), FakeHub()
    async with contextlib.AsyncExitStack() as stack:
        async with hub.running(old):
            port = int(hub.url.rpartition(":")[2])
            await stack.enter_async_context(bay.syncing(hub, hub_ca_file=str(both)))
            await until(lambda: any("expired" in said for said in bay.said))
            session = bay.record(5)
            assert hub.requests == []
        async with hub.running(new, port):
            await bay.handed_over(hub)
            assert hub.pieces[session] == bay.pieces(session)
    (said,) = (text for text in bay.said if "expired" in text)
    assert "Recording goes on; what is recorded is handed over later." in said
    bay.close()


@pytest.mark.parametrize("url", ["http://hub.example:8643", "http://10.0.0.5:8643", "ftp://a"])
def test_a_credential_goes_over_no_open_wire(tmp_path, url):
    with pytest.raises(InputError, match=r"hub.url|PLANTIGRADE_HUB_URL"):
        bay_config(tmp_path, url)


def test_a_token_others_may_read_is_refused(tmp_path):
    token = tmp_path / "token"
    token.write_text(TOKEN + "\n", "utf-8")
    token.chmod(0o640)
    environment = {"PLANTIGRADE_HUB_URL": "https://hub", "PLANTIGRADE_HUB_TOKEN_FILE": str(token)}
    (tmp_path / "s.toml").write_text("", "utf-8")
    with pytest.raises(InputError, match="other users of this machine may read"):
        config.load(tmp_path / "s.toml", environment)
    token.chmod(0o600)
    loaded = config.load(tmp_path / "s.toml", environment)
    assert loaded.text("hub.token") == TOKEN
    rows = {row["name"]: row["value"] for row in config.table(loaded)}
    assert rows["hub.token"] == "***" and rows["hub.url"] == "https://hub"


@pytest.mark.parametrize("token", ["a b", "a\r\nHost: x", "é.x", ""])
def test_what_can_be_no_credential_is_refused(tmp_path, token):
    with pytest.raises(InputError, match=r"hub\.token"):
        Hub(bay_config(tmp_path, "https://hub", hub_token=token))


def test_a_file_without_a_certificate_is_refused(tmp_path):
    (tmp_path / "ca").write_text("nothing", "utf-8")
    for file in ("ca", "none"):
        with pytest.raises(InputError, match=r"hub\.ca_file .*: cannot be used"):
            Hub(bay_config(tmp_path, "https://hub", hub_ca_file=str(tmp_path / file)))


async def test_the_state_of_the_way_is_shown(tmp_path):
    bay = SyncBay(tmp_path / "bay")
    bay.record(2)
    path = hubstate.path_for(bay.store.path)
    hub = FakeHub()
    async with hub.running():
        async with bay.syncing(hub):
            await bay.handed_over(hub)
        kept = hubstate.read(path)
        assert kept is not None and (kept.sessions, kept.pieces, kept.problem) == (0, 0, None)
        bay.record(4)
        hub.token = "x.y"
        async with bay.syncing(hub) as work:
            await until(lambda: work.state().problem)
    shown = CliRunner().invoke(main, ["sync", "status", "--store", str(bay.store.path)])
    said = " ".join(shown.output.split())
    assert "1 session, 4 pieces, changes not known waiting" in said
    assert "does not take this bay's credential" in said and "has not answered yet" in said
    as_json = CliRunner().invoke(main, ["sync", "status", "--json", "--store", str(bay.store.path)])
    assert json.loads(as_json.output)["hub"]["pieces"] == 4
    assert SECRET not in shown.output + as_json.output
    bay.close()


def test_without_a_hub_the_commands_say_so(tmp_path, monkeypatch):
    for name in settings("x"):
        monkeypatch.delenv(name, raising=False)
    (tmp_path / "s.toml").write_text("", "utf-8")
    checked = CliRunner().invoke(main, ["sync", "check", "--settings", str(tmp_path / "s.toml")])
    assert checked.exit_code == 2 and "hub.url: is not set" in checked.output
    shown = CliRunner().invoke(main, ["sync", "status", "--store", str(tmp_path / "none")])
    assert shown.exit_code == 0 and "yet: see plantigrade sync check" in shown.output


@pytest.mark.slow
def test_a_bay_without_a_hub_loads_and_starts_nothing(tmp_path):
    code = (
        "import sys\n"
        "from plantigrade_gateway.cli.main import main\n"
        f"main(['demo', '--fast', '--no-sound', '--no-page', '--store', {str(tmp_path / 's')!r}],"
        " standalone_mode=False)\n"
        "mine = {'plantigrade_gateway.sync.link', 'plantigrade_gateway.sync.process', 'aiohttp'}\n"
        "bad = mine & set(sys.modules)\n"
        "print('loaded', sorted(bad))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "loaded []" in done.stdout
    assert not list(tmp_path.glob("s-hub.json")) and not list(tmp_path.glob("s-sync"))


@pytest.mark.slow
async def test_the_gateway_hands_over_while_it_records(tmp_path, monkeypatch):
    """The real program, killed in the middle and started again."""
    hub = FakeHub()
    async with hub.running():
        for name, value in settings(hub.url).items():
            monkeypatch.setenv(name, value)
        store = tmp_path / "store.sqlite3"
        command = ["demo", "--no-sound", "--no-page", "--store", str(store)]
        first = Program(command)
        await until(lambda: any(len(there) > 3 for there in hub.pieces.values()))
        assert hub.ends == {}  # while it is being recorded
        first.kill()
        second = Program(command)
        await until(lambda: len(hub.heads) == 2 and len(hub.ends) == 1)
        second.stop()
    (ended,) = hub.ends
    assert len(hub.pieces[ended]) == hub.ends[ended]["pieces"] > 3
    assert hub.heads[ended]["about"]["end_reason"] == "restart"
    assert hub.refusals == []

"""The commands `hub …` on tables of their own: what they say, and what they hand to the work."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import sqlalchemy as sa
from click.testing import CliRunner, Result

from plantigrade_gateway.cli import hub as hub_commands
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.hub.bays import Bays
from plantigrade_gateway.hub.deletions import Deletions
from plantigrade_gateway.hub.places import NotItsPlace, Places
from plantigrade_gateway.people.tables import SITE, engine_for

ONE, TWO = "1" * 32, "2" * 32


@pytest.fixture(scope="module")
def empty(tmp_path_factory) -> Path:
    folder: Path = tmp_path_factory.mktemp("hub")
    result = CliRunner().invoke(main, ["hub", "bay", "list", "--data", str(folder)])
    assert result.output == "No bay yet: add one with plantigrade hub bay add NAME.\n"
    return folder


@pytest.fixture
def data(tmp_path: Path, empty: Path) -> Path:
    (tmp_path / "s.toml").write_text("", "utf-8")
    return Path(shutil.copytree(empty, tmp_path / "hub"))


@pytest.fixture
def hub(data: Path) -> Callable[..., Result]:
    def run(*arguments: str) -> Result:
        return CliRunner().invoke(main, ["hub", *arguments, "--data", str(data)])

    return run


@pytest.fixture
def engine(data: Path) -> Any:
    made = engine_for(data / "hub.sqlite3")
    yield made
    made.dispose()


def test_a_bay_is_added_listed_withdrawn_and_forgotten(hub, engine, data, monkeypatch):
    added = hub("bay", "add", "bay-3")
    credential = added.stdout.strip()
    assert added.exit_code == 0 and Bays(engine).of_credential(credential) == "bay-3"
    assert "This is bay bay-3's credential; it is not shown again." in added.stderr
    assert "hub.token_file" in added.stderr and credential not in added.stderr
    assert hub("bay", "add", "bay-3").exit_code == 2
    hub("bay", "add", "bay-4")
    lines = hub("bay", "list").output.splitlines()
    assert [line.split(":")[0] for line in lines] == ["bay-3", "bay-4"]
    assert "last here 2" in lines[0] and lines[1].endswith(", never here")
    gone = hub("bay", "withdraw", "bay-3")
    assert gone.output == (
        "Bay bay-3's credential opens nothing any more; what it handed over stays.\n"
    )
    assert Bays(engine).of_credential(credential) is None
    assert ", withdrawn 2" in hub("bay", "list").output.splitlines()[0]
    Deletions(engine).confirm(ONE, "bay bay-4", None)
    settings = ["--settings", str(data.parent / "s.toml")]
    taken_back: list[str] = []
    monkeypatch.setattr(hub_commands, "_take_back", lambda config, bay: taken_back.append(bay))
    forgotten = hub("bay", "forget", "bay-3", *settings)
    assert forgotten.output == "Bay bay-3 is forgotten; what it handed over and said stays.\n"
    assert [line.split(":")[0] for line in hub("bay", "list").output.splitlines()] == ["bay-4"]
    assert hub("bay", "forget", "bay-4", *settings).exit_code == 2  # it may come again
    assert taken_back == ["bay-3"]


def test_a_bay_that_is_forgotten_names_the_deletions_it_never_confirmed(hub, engine, data):
    hub("bay", "add", "bay-3")
    Deletions(engine).ask([TWO, ONE])
    hub("bay", "withdraw", "bay-3")
    said = hub("deletions").output.splitlines()
    assert f"player {ONE}" in said and f"player {TWO}" in said
    assert said.count("  bay bay-3: withdrawn before it confirmed; delete it there yourself") == 2
    settings = ["--settings", str(data.parent / "s.toml")]
    lines = hub("bay", "forget", "bay-3", *settings).output.splitlines()
    assert lines[1:] == [
        f"The deletion of player {key} waits for it no longer: if the machine is there, delete "
        "the player on it yourself."
        for key in (ONE, TWO)
    ]
    found = json.loads(hub("deletions", "--json").stdout)
    assert {(one["player_id"], one["place"]) for one in found} == {
        (key, place) for key in (ONE, TWO) for place in ("archive", "bay bay-3")
    }


def test_where_nobody_was_deleted_it_is_said(hub):
    assert hub("deletions").output == "No player was deleted.\n"
    assert json.loads(hub("deletions", "--json").stdout) == []


def test_places_and_refusals_of_a_bay_are_listed_and_let_go_of(hub, engine):
    for name in ("one", "two"):
        hub("bay", "add", name)
    places = Places(engine)
    places.hold("one", ONE, [TWO])
    with pytest.raises(NotItsPlace):
        places.hold("two", ONE, [])
    lines = hub("bay", "list").output.splitlines()
    assert len(lines) == 3 and lines[2].startswith(
        "  gave what was said at another's place (11111111) and was refused, last 2"
    )
    found = {one["name"]: one for one in json.loads(hub("bay", "list", "--json").stdout)}
    assert (found["one"]["places"], found["two"]["places"]) == (2, 0)
    assert found["one"]["refused"] is None and found["two"]["refused"]["place"] == ONE
    assert hub("bay", "release", "one").output == "Places of bay one let go of: 2.\n"
    assert hub("bay", "release", "A B").exit_code == 2


def test_a_hub_that_was_restored_asks_its_bays_for_two_days(hub, engine):
    none = hub("recover")
    assert none.exit_code == 2 and "recover: this hub has no place of before" in none.stderr
    with engine.begin() as db:
        db.execute(SITE.insert().values(one=True, site=ONE, seq=0))
    Places(engine).hold("one", TWO, [])
    with engine.begin() as db:
        db.execute(SITE.delete())
    lent: list[int] = []
    for days in ((), ("--days", "60"), ("--days", "0.01")):
        said = hub("recover", *days)
        assert said.exit_code == 0 and said.output.startswith("Until 2")
        assert said.output.endswith(
            " UTC each bay that comes gives back what it has of this hub's own words.\n"
        )
        with engine.connect() as db:
            query = sa.text("SELECT lent_until_ms FROM hub_place WHERE bay IS NULL")
            lent.append(db.execute(query).scalar_one())
    day_ms = 86_400_000
    assert abs(lent[1] - lent[0] - 58 * day_ms) < day_ms // 2
    assert abs(lent[0] - lent[2] - 1.99 * day_ms) < day_ms // 2
    for other in ("60.1", "0.009"):
        assert hub("recover", "--days", other).exit_code == 2


@pytest.mark.parametrize(
    ("machine", "name"),
    [
        ("Hub.Example", "hub-example"),
        ("--", "hub"),
        ("é", "hub"),
        ("h" * 33, "h" * 32),
        ("-a_", "a"),
    ],
)
def test_a_hub_without_a_name_has_the_machines(monkeypatch, machine, name):
    monkeypatch.setattr("socket.gethostname", lambda: machine)
    assert hub_commands._named(None) == name
    assert hub_commands._named("mine") == "mine"


def test_a_hub_is_served_as_it_was_told(hub, data, monkeypatch):
    from plantigrade_gateway.hub import serve

    orders: list[Any] = []
    monkeypatch.setattr(serve, "serve", lambda order, say: orders.append(order))
    settings = ["--settings", str(data.parent / "s.toml")]
    assert hub("serve", "--name", "a", *settings).exit_code == 0
    assert hub("serve", "--port", "0", "--objects", "o", "--name", "b", *settings).exit_code == 0
    first, second = orders
    assert (first.port, first.host, first.name) == (8643, "127.0.0.1", "a")
    assert first.objects == str(data / "objects") and first.certificate is None
    assert (second.port, second.objects) == (0, "o")
    (data.parent / "password").write_text("x", "utf-8")
    password = ("--password-file", str(data.parent / "password"))
    refused = hub("serve", *password, *settings)
    assert refused.exit_code == 2
    assert "--password-file: is for --host; on this machine nobody signs in" in refused.stderr
    assert hub("serve", "--port", "65536", *settings).exit_code == 2
    assert hub("serve", "--host", "0.0.0.0", *settings).exit_code == 2 and len(orders) == 2


@pytest.mark.parametrize(("spoilt", "code"), [(0, 0), (3, 1)])
def test_a_working_store_is_made_again_and_what_is_spoilt_is_the_exit_code(
    hub, monkeypatch, spoilt, code
):
    from plantigrade_gateway.hub.intake import Intake

    monkeypatch.setattr(Intake, "rebuild", lambda self, say: spoilt)
    done = hub("rebuild", "--name", "here")
    assert done.exit_code == code
    assert done.output == (
        f"Sessions with something spoilt: {spoilt}; all others are made again.\n" * bool(spoilt)
        + "The working store is as the objects are.\n" * (not spoilt)
    )


def test_a_hub_that_is_at_work_is_not_made_again(hub, data):
    from plantigrade_gateway.hub.names import alone

    with alone(data):
        refused = hub("rebuild", "--name", "here")
    assert refused.exit_code == 2 and "is at work; stop it first" in refused.stderr


@pytest.mark.parametrize("away", [False, True])
def test_the_broker_is_asked_to_keep_nothing_of_a_bay(monkeypatch, capsys, away):
    from plantigrade_gateway.forward import mqtt
    from plantigrade_gateway.forward.courier import SinkUnavailable

    asked: list[str] = []

    class Broker:
        def __init__(self, config: Any) -> None:
            pass

        async def take_back(self, bay: str) -> None:
            asked.append(bay)
            if away:
                raise SinkUnavailable("broker b: is away")

    monkeypatch.setattr(mqtt, "Broker", Broker)
    set_: Any = SimpleNamespace(text=lambda name: "b")
    unset: Any = SimpleNamespace(text=lambda name: None)
    hub_commands._take_back(unset, "one")
    assert asked == []
    hub_commands._take_back(set_, "one")
    said = (
        "The page Bays may still show it: broker b: is away."
        if away
        else "The broker keeps no last words of it for the page Bays."
    )
    assert asked == ["one"] and capsys.readouterr().out == said + "\n"

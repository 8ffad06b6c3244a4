"""One file and the environment: all of it known, checked, shown with where it came from."""

import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from plantigrade.limits import LIMITS
from plantigrade_gateway import config
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.config import SETTINGS, limits_of, load, table
from plantigrade_gateway.errors import InputError

SECRET = "k7-do-not-print-me"


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str], Path]:
    def make(text: str) -> Path:
        path = tmp_path / "settings.toml"
        path.write_text(text, "utf-8")
        return path

    return make


def refused(path: Path | None, *words: str, **environment: str) -> None:
    with pytest.raises(InputError) as caught:
        load(path, environment)
    text = str(caught.value)
    assert "\n" not in text and SECRET not in text and len(text) < 300
    for word in words:
        assert word in text, text


def test_with_nothing_set_nothing_is_sent(tmp_path, monkeypatch):
    monkeypatch.setattr(config, "default_path", lambda: tmp_path / "none.toml")
    found = load(None, {})
    assert found.sinks() == [] and found.secrets() == []
    assert set(found.origin.values()) == {"default"}


def test_every_setting_is_documented_and_its_default_is_allowed():
    assert len({s.name for s in SETTINGS}) == len(SETTINGS)
    for setting in SETTINGS:
        assert setting.doc.endswith(".") and len(setting.doc) > 10
        if setting.default is not None:
            config._checked(setting, setting.default, setting.name)


def test_the_environment_goes_before_the_file(write):
    path = write('site = "north"\nbay = "b1"\n[tsdb]\nurl = "http://db:8428"\nloads = true\n')
    found = load(path, {"PLANTIGRADE_BAY": "b2", "PLANTIGRADE_TSDB_TIMEOUT_S": "2.5"})
    assert (found.word("site"), found.word("bay")) == ("north", "b2")
    assert found.number("tsdb.timeout_s") == 2.5
    assert found.sinks() == ["tsdb", "loads"]
    assert found.origin["site"] == str(path)
    assert found.origin["bay"] == "PLANTIGRADE_BAY"
    assert found.origin["mqtt.tls"] == "default"


def test_unknown_keys_are_refused_with_the_nearest(write):
    refused(write('[tsdb]\nulr = "http://db"\n'), "tsdb.ulr", "did you mean tsdb.url?")
    refused(write("sight = 'x'\n"), "sight", "did you mean site?")
    refused(write("zzzzqqqq = 1\n"), "zzzzqqqq", "see plantigrade settings")
    refused(write(""), "did you mean PLANTIGRADE_TSDB_URL?", PLANTIGRADE_TSDB_ULR="http://db")


def test_variables_of_others_are_left_alone(write):
    load(write(""), {"PLANTIGRADE_DATA": "/somewhere", "PLANTIGRADE_SETTINGS": "/nowhere"})


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('site = "Old Course"', "expected up to 32 small letters"),
        ("site = 5", "expected a text"),
        ('link_every_s = "often"', "expected a number"),
        ("link_every_s = 0.1", "is 0.1 s, expected 1 to 3600 s"),
        ('[tsdb]\nurl = "db:8428"', "expected http://HOST:PORT"),
        ('[tsdb]\nurl = "http://me:k7-do-not-print-me@db"', "holds a name or password"),
        ('[mqtt]\ntls = "yes"', "expected true or false"),
        ('[tsdb]\nurl = "http://[::1"', "expected http://HOST:PORT"),
        ('[tsdb]\nurl = "http://db:99999"', "expected http://HOST:PORT"),
        ('[tsdb]\nurl = "http://me:k7-do-not-print-me@[::1"', "holds a name or password"),
        ('[hub]\nurl = "http://hub.example:8443"', "expected https://HOST:PORT"),
        ('[hub]\nurl = "https://hub.example/?a=b"', "expected http://HOST:PORT"),
        ('[tsdb]\nurl = "http://db:0"', "expected http://HOST:PORT"),
        ('[tsdb]\nurl = "http://the db"', "expected http://HOST:PORT"),
        ("[mqtt]\nport = 70000", "expected 1 to 65535"),
        ("[mqtt]\nport = 9223372036854775807", "expected 1 to 65535"),
        ("[mqtt]\nport = " + "9" * 400, "a whole number of more than 64 bits"),
        ("[mqtt]\nport = " + "[" * 1000, "nested more than 32 deep"),
        ('site = "' + "x" * 4000 + '"', "x', expected up to 32 small letters"),
        ("x" * 4000 + " = 1", "x is no setting; see plantigrade settings"),
        ('[mqtt]\nhost = ""', "is empty"),
        ('[log]\nlevel = "loud"', "expected debug, info, warning, error"),
        ('[tsdb]\ntoken = "k7-do-not-print-me"', "name that as tsdb.token_file"),
        ('[mqtt]\npassword_file = "/nowhere/x"', "mqtt.password_file /nowhere/x: cannot be read"),
        ("[tsdb", "is not TOML"),
    ],
)
def test_what_cannot_be_used_is_said_in_a_sentence(write, text, said):
    refused(write(text), said)


def test_a_hub_is_reached_in_clear_on_this_machine_alone(write):
    for url in ("http://127.0.0.1:8080", "http://[::1]:8080", "https://hub.example:8443"):
        assert load(write(f'[hub]\nurl = "{url}"\n'), {}).text("hub.url") == url


def test_a_named_file_must_be_there(tmp_path):
    refused(tmp_path / "none.toml", "none.toml", "cannot be read")
    refused(None, "cannot be read", PLANTIGRADE_SETTINGS=str(tmp_path / "none.toml"))


def test_a_pipe_is_refused_and_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match=r"settings .*pipe: is a pipe, expected a file"):
        load(tmp_path / "pipe", {})


def test_bad_variables_name_themselves(write):
    refused(write(""), "expected 1 to 65535", PLANTIGRADE_MQTT_PORT="9" * 400)
    refused(write(""), "expected a number", PLANTIGRADE_MQTT_PORT="9" * 5000)
    refused(write(""), "PLANTIGRADE_MQTT_PORT", "'x'", PLANTIGRADE_MQTT_PORT="x")
    refused(write(""), "PLANTIGRADE_MQTT_TLS", PLANTIGRADE_MQTT_TLS="maybe")


def test_secrets_come_from_a_file_or_the_environment(write, tmp_path):
    secret = tmp_path / "token"
    secret.write_text(SECRET + "\n")
    secret.chmod(0o644)
    refused(write(f'[tsdb]\ntoken_file = "{secret}"\n'), "tsdb.token_file", f"chmod 600 {secret}")
    secret.chmod(0o600)
    path = write(f'[tsdb]\ntoken_file = "{secret}"\n')
    found = load(path, {})
    assert found.text("tsdb.token") == SECRET and found.origin["tsdb.token"] == str(secret)
    assert load(path, {"PLANTIGRADE_TSDB_TOKEN": "other"}).text("tsdb.token") == "other"
    assert SECRET not in json.dumps(table(found))
    assert found.masked(f"401: token {SECRET} unknown") == "401: token *** unknown"
    odd = 'k7"to\\ké'  # written otherwise in a log line and in a trace
    masked = load(None, {"PLANTIGRADE_TSDB_TOKEN": odd}).masked
    for said in (odd, json.dumps(odd), json.dumps(odd, ensure_ascii=False), repr(odd)):
        assert masked(f"<{said}>").strip("<>\"'") == "***"
    secret.write_text("two\nlines\n")
    refused(path, "expected one line")


def test_the_command_shows_what_is_in_force_without_secrets(write):
    path = write('bay = "b7"\n[mqtt]\nhost = "broker"\n')
    environment = {"PLANTIGRADE_MQTT_PASSWORD": SECRET}
    shown = CliRunner().invoke(main, ["settings", "--settings", str(path)], env=environment)
    assert shown.exit_code == 0, shown.output
    for setting in SETTINGS:
        assert setting.name in shown.output
    assert "b7" in shown.output and "PLANTIGRADE_MQTT_PASSWORD" in shown.output
    assert SECRET not in shown.output
    as_json = CliRunner().invoke(
        main, ["settings", "--json", "--settings", str(path)], env=environment
    )
    rows = {row["name"]: row for row in json.loads(as_json.output)["settings"]}
    assert rows["bay"]["value"] == "b7" and rows["mqtt.password"]["value"] == "***"
    assert rows["bay"]["from"] == str(path)
    wrong = CliRunner().invoke(main, ["settings", "--settings", str(write("site = 5"))])
    assert wrong.exit_code == 2 and "expected a text" in wrong.stderr


# Limits


def test_limits_are_set_in_their_table_and_by_the_environment(write):
    path = write("[limits]\nbearing_full = 0.08\nstand_quiet_mm = 12\n")
    found = load(path, {"PLANTIGRADE_LIMITS_PUSH_ROLLED": "0.25"})
    assert found.limits() == {"bearing_full": 0.08, "stand_quiet_mm": 12.0, "push_rolled": 0.25}
    assert load(write(""), {}).limits() == {}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("push_roled = 0.2", "limits.push_roled is no setting; did you mean limits.push_rolled?"),
        ("push_rolled = 2.5", "limits.push_rolled: is 2.5 shift time, expected 0 to 2 shift time"),
        ("push_rolled = nan", "limits.push_rolled: is nan shift time, expected 0 to 2"),
        ('push_rolled = "much"', "limits.push_rolled: is 'much', expected a number"),
        (
            "bearing_none = 0.07",
            "limit bearing_none: is 0.07, expected less than bearing_full, which is 0.06",
        ),
    ],
)
def test_a_limit_that_cannot_be_used_is_refused(write, text, said):
    refused(write(f"[limits]\n{text}\n"), said, "settings.toml")


def test_limits_of_the_command_line():
    assert limits_of(["push_rolled=0.25", " heel_lift_s = 0.1"]) == {
        "push_rolled": 0.25,
        "heel_lift_s": 0.1,
    }
    assert limits_of([]) == {}
    for text, said in (
        ("push_roled=0.2", "push_roled is no limit; did you mean push_rolled?"),
        ("push_rolled", "limit push_rolled: is '', expected a number"),
        ("push_rolled=3", "limit push_rolled: is 3 shift time, expected 0 to 2 shift time"),
    ):
        with pytest.raises(InputError) as caught:
            limits_of([text])
        assert str(caught.value) == said


def test_every_limit_is_a_setting_with_its_range_and_meaning():
    rows = {row["name"]: row for row in table(load(None, {}))}
    for limit in LIMITS:
        row = rows[f"limits.{limit.name}"]
        assert (row["value"], row["unit"], row["doc"]) == (limit.default, limit.unit, limit.doc)

"""The installation's settings: one TOML file and the environment, checked before anything starts.

Every setting stands once, in `SETTINGS`; what is printed, checked and documented is that table. A
session's settings, on which its results depend, are another thing and are kept in the record
(`record/settings.py`). Secrets come from the environment or a file of their own, never from this
file or the command line, and are never printed.
"""

import difflib
import json
import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import platformdirs

from plantigrade.errors import ForeignError, SignalError, shown
from plantigrade.foreign import read_toml
from plantigrade.limits import LIMITS, Limits
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.foreign import read_file, read_secret
from plantigrade_gateway.sinks import SINKS

PREFIX = "PLANTIGRADE_"
"""Of a setting's name in the environment: ``tsdb.url`` is PLANTIGRADE_TSDB_URL."""

_NO_SETTINGS = ("PLANTIGRADE_HUB_OBJECTS",)
"""Variables of the hub's own commands, which begin as settings do."""
_LARGE = 1e18  # a whole number may be larger than any float
_THIS_MACHINE = ("127.0.0.1", "::1")
_WORD = re.compile(r"[a-z0-9][a-z0-9_-]{0,31}")
Value = str | int | float | bool | None


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting.

    Attributes
    ----------
    name : str
        With its section, as ``tsdb.url``.
    kind : type
        str, int, float or bool.
    default : str, int, float, bool or None
        None: not set.
    doc : str
        What it does, for the user.
    unit : str
    low, high : float
        The range of a number, ends included.
    form : str
        What a text must be: ``"word"``, ``"url"``, ``"hub"`` (a url whose credential nobody on the
        way reads), ``"file"``, or one of several given as ``"this|that"``; empty for any.
    secret : bool
        From the environment, or from the file that the setting ``<name>_file`` names.
    """

    name: str
    kind: type
    default: Value
    doc: str
    unit: str = ""
    low: float = 0.0
    high: float = float("inf")
    form: str = ""
    secret: bool = False

    @property
    def variable(self) -> str:
        """The setting's name in the environment."""
        return PREFIX + self.name.upper().replace(".", "_")


SETTINGS = (
    Setting("site", str, "site", "The academy's short name, in topics and tags.", form="word"),
    Setting("bay", str, "bay", "This bay's short name, in topics and tags.", form="word"),
    Setting(
        "link_every_s",
        float,
        10.0,
        "Between two samples of link health and of how the outbox stands.",
        "s",
        1,
        3600,
    ),
    Setting(
        "outbox.loads_mb",
        int,
        1024,
        "Room for regional loads that wait; beyond it the oldest are dropped. Events never are.",
        "MB",
        1,
        1_000_000,
    ),
    Setting("tsdb.url", str, None, "The time-series database; unset: none is used.", form="url"),
    Setting("tsdb.organisation", str, "-", "Its organisation; VictoriaMetrics takes any."),
    Setting("tsdb.bucket", str, "plantigrade", "Its bucket; VictoriaMetrics takes any."),
    Setting("tsdb.token", str, None, "The token that may write there.", secret=True),
    Setting("tsdb.token_file", str, None, "A file that holds the token.", form="file"),
    Setting("tsdb.ca_file", str, None, "Certificates to trust, PEM.", form="file"),
    Setting("tsdb.loads", bool, False, "Send regional loads at the sample rate too."),
    Setting("tsdb.timeout_s", float, 10.0, "How long a request may take.", "s", 0.2, 600),
    Setting(
        "tsdb.hold_s",
        float,
        15.0,
        "How long what was acknowledged is kept, to be sent again if the database restarts.",
        "s",
        0,
        86400,
    ),
    Setting("mqtt.host", str, None, "The message broker; unset: none is used."),
    Setting("mqtt.port", int, None, "Its port; 8883 with TLS, else 1883.", "", 1, 65535),
    Setting("mqtt.user", str, None, "The name to sign in with."),
    Setting("mqtt.password", str, None, "The password that goes with it.", secret=True),
    Setting("mqtt.password_file", str, None, "A file that holds the password.", form="file"),
    Setting("mqtt.tls", bool, False, "Speak TLS with the broker."),
    Setting("mqtt.ca_file", str, None, "Certificates to trust, PEM.", form="file"),
    Setting("mqtt.live_hz", float, 10.0, "Live summaries a second; 0: none.", "Hz", 0, 50),
    Setting("mqtt.commands", bool, False, "Obey start, stop, mark and drill sent to this bay."),
    Setting("mqtt.timeout_s", float, 10.0, "How long an answer may take.", "s", 0.2, 600),
    Setting(
        "mqtt.hold_s",
        float,
        120.0,
        "How long what was acknowledged is kept, to be sent again after a lost connection: longer "
        "than the broker takes to save to its disk.",
        "s",
        0,
        86400,
    ),
    Setting("hub.url", str, None, "The hub of the site; unset: this bay is alone.", form="hub"),
    Setting("hub.token", str, None, "This bay's credential at the hub.", secret=True),
    Setting("hub.token_file", str, None, "A file that holds the credential.", form="file"),
    Setting("hub.ca_file", str, None, "The hub's own certificate, PEM.", form="file"),
    Setting("hub.timeout_s", float, 10.0, "How long an answer may take.", "s", 0.2, 600),
    Setting("log.folder", str, None, "Write log lines (JSON) to files in this folder."),
    Setting("log.level", str, "info", "The least that is logged.", form="debug|info|warning|error"),
    Setting(
        "players.keep_days",
        int,
        None,
        "After the last visit; then players retention lists the player. Unset: for good.",
        "days",
        1,
        36500,
    ),
    *(
        Setting(f"limits.{limit.name}", float, limit.default, limit.doc, limit.unit, *limit.span)
        for limit in LIMITS
    ),
)
"""Every setting there is."""

_BY_NAME = {setting.name: setting for setting in SETTINGS}
_SECTIONS = tuple({s.name.split(".")[0] for s in SETTINGS if "." in s.name})


@dataclass(frozen=True, slots=True)
class Config:
    """The settings in force.

    Attributes
    ----------
    values : mapping of str to value
        Of every setting.
    origin : mapping of str to str
        Where each came from: ``"default"``, a file, or the name of a variable.
    file : Path or None
        The file that was named, for a process that is to read the same.
    """

    values: Mapping[str, Value]
    origin: Mapping[str, str]
    file: Path | None = None

    def text(self, name: str) -> str | None:
        """Return a text; None where it is not set."""
        value = self.values[name]
        return None if value is None else str(value)

    def word(self, name: str) -> str:
        """Return a text that is always set."""
        return str(self.values[name])

    def number(self, name: str) -> float:
        """Return a number that is always set."""
        value = self.values[name]
        assert isinstance(value, int | float)
        return float(value)

    def whole(self, name: str) -> int | None:
        """Return a whole number; None where it is not set."""
        value = self.values[name]
        return value if isinstance(value, int) else None

    def flag(self, name: str) -> bool:
        """Return whether something is on."""
        return self.values[name] is True

    def limits(self) -> dict[str, float]:
        """Return the limits that were set here, by name; those of a session go before them."""
        return {
            limit.name: self.number(name)
            for limit in LIMITS
            if self.origin[name := f"limits.{limit.name}"] != "default"
        }

    def sinks(self) -> list[str]:
        """Return what is sent on, and to whom."""
        wanted = (row for row in SINKS.values() if all(map(self._is_set, row.wanted)))
        return [row.name for row in wanted]

    def _is_set(self, name: str) -> bool:
        return self.values[name] is not None and self.values[name] is not False

    def secrets(self) -> list[str]:
        """Return what must never be shown."""
        found = (self.text(s.name) for s in SETTINGS if s.secret)
        return [text for text in found if text]

    def masked(self, text: str) -> str:
        """Return a text without any secret in it, also where it was written as JSON or Python."""
        for secret in self.secrets():
            in_json = (json.dumps(secret, ensure_ascii=ascii)[1:-1] for ascii in (False, True))
            for form in (secret, *in_json, repr(secret)[1:-1]):
                text = text.replace(form, "***")
        return text


def default_path() -> Path:
    """Return where the settings file lies unless told: the platform's settings folder."""
    return platformdirs.user_config_path("plantigrade", appauthor=False) / "settings.toml"


def load(path: Path | None = None, environment: Mapping[str, str] | None = None) -> Config:
    """Read and check the settings.

    Parameters
    ----------
    path : Path or None
        A file that must be there; None for the variable PLANTIGRADE_SETTINGS, else the usual place,
        where it may be missing.
    environment : mapping of str to str
        Instead of the process's own. What it sets goes before the file.

    Raises
    ------
    InputError
        A key nobody knows (with the nearest that is known), or a value that cannot be used: one
        sentence that names where it stands.
    """
    environment = os.environ if environment is None else environment
    named = path or (Path(text) if (text := environment.get(PREFIX + "SETTINGS")) else None)
    where = default_path() if named is None else named
    values: dict[str, Value] = {s.name: s.default for s in SETTINGS}
    origin = dict.fromkeys(values, "default")
    if named is not None or where.exists():
        for name, raw in _flat(_parsed(where)).items():
            setting = _known(name, f"{where}: ")
            if setting.secret:
                raise InputError(
                    f"{where}: {name} is a secret and has no place in this file; put it in a file "
                    f"of its own and name that as {name}_file, or in {setting.variable}"
                )
            values[name], origin[name] = _checked(setting, raw, f"{where}: {name}"), str(where)
    for variable, text in environment.items():
        if not variable.startswith(tuple(PREFIX + s.upper() + "_" for s in _SECTIONS)) and (
            variable not in {s.variable for s in SETTINGS}
        ):
            continue
        if variable in _NO_SETTINGS:
            continue
        found = next((s for s in SETTINGS if s.variable == variable), None)
        if found is None:
            raise InputError(_unknown(variable, [s.variable for s in SETTINGS], ""))
        values[found.name] = _checked(found, _read(found, text, variable), variable)
        origin[found.name] = variable
    _take_secrets(values, origin)
    made = Config(values, origin, path)
    try:
        Limits(**made.limits())
    except SignalError as error:
        raise InputError(f"{where}: {error}") from error
    return made


def limits_of(texts: Iterable[str]) -> dict[str, float]:
    """Return the limits that texts like ``push_rolled=0.25`` set, by name.

    Raises
    ------
    InputError
        A name nobody knows (with the nearest that is known), or a value that cannot be used.
    """
    found: dict[str, float] = {}
    for text in texts:
        name, _, value = (part.strip() for part in text.partition("="))
        setting = _BY_NAME.get(f"limits.{name}")
        if setting is None:
            raise InputError(_unknown(name, [limit.name for limit in LIMITS], "", "limit"))
        read = _checked(setting, _read(setting, value, f"limit {name}"), f"limit {name}")
        assert isinstance(read, float)
        found[name] = read
    return found


def table(config: Config) -> list[dict[str, Any]]:
    """Return every setting with its value, unit, origin and meaning; secrets masked."""
    return [
        {
            "name": s.name,
            "value": "***" if s.secret and config.values[s.name] else config.values[s.name],
            "unit": s.unit,
            "from": config.origin[s.name],
            "variable": s.variable,
            "doc": s.doc,
        }
        for s in SETTINGS
    ]


def _parsed(path: Path) -> dict[str, Any]:
    try:
        return read_toml(read_file(path, f"settings {path}"), f"settings {path}")
    except ForeignError as error:
        raise InputError(str(error)) from error


def _flat(read: Mapping[str, Any]) -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for key, value in read.items():
        if isinstance(value, dict):
            flat |= {f"{key}.{inner}": item for inner, item in value.items()}
        else:
            flat[key] = value
    return flat


def _known(name: str, where: str) -> Setting:
    if name not in _BY_NAME:
        raise InputError(_unknown(name, list(_BY_NAME), where))
    return _BY_NAME[name]


def _unknown(name: str, names: list[str], where: str, what: str = "setting") -> str:
    near = difflib.get_close_matches(name, names, 1, 0.5)
    advice = f"did you mean {near[0]}?" if near else "see plantigrade settings for those there are"
    return f"{where}{shown(name, quoted=False)} is no {what}; {advice}"


def _read(setting: Setting, text: str, where: str) -> object:
    """Return the value that a variable's text stands for."""
    if setting.kind is bool:
        return {"true": True, "1": True, "false": False, "0": False}.get(text.lower(), text)
    if setting.kind in (int, float):
        try:
            return setting.kind(text)
        except ValueError:
            raise InputError(f"{where}: is {shown(text)}, expected a number") from None
    return text


def _checked(setting: Setting, value: object, where: str) -> Value:
    kind = setting.kind
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    if type(value) is not kind:
        found = "what it is" if setting.secret else shown(value)
        expected = {str: "a text", int: "a whole number", float: "a number", bool: "true or false"}
        raise InputError(f"{where}: is {found}, expected {expected[kind]}")
    if isinstance(value, int | float) and not isinstance(value, bool):
        if not setting.low <= value <= setting.high:
            unit = f" {setting.unit}" if setting.unit else ""
            raise InputError(
                f"{where}: is {_written(value)}{unit}, expected "
                f"{setting.low:g} to {setting.high:g}{unit}"
            )
        return value
    if isinstance(value, str):
        _check_text(setting, value, where)
        return value
    return bool(value)


def _written(value: float) -> str:
    return f"{value:g}" if abs(value) < _LARGE else shown(value)


def _check_text(setting: Setting, value: str, where: str) -> None:
    if setting.form == "word" and not _WORD.fullmatch(value):
        raise InputError(
            f"{where}: is {shown(value)}, expected up to 32 small letters, digits, - and _"
        )
    if setting.form in ("url", "hub"):
        _check_url(value, where)
    is_clear = setting.form == "hub" and urlsplit(value).scheme == "http"
    if is_clear and urlsplit(value).hostname not in _THIS_MACHINE:
        raise InputError(f"{where}: is {shown(value)}, expected https://HOST:PORT")
    if "|" in setting.form and value not in setting.form.split("|"):
        raise InputError(f"{where}: is {shown(value)}, expected {setting.form.replace('|', ', ')}")
    if not value and not setting.secret:
        raise InputError(f"{where}: is empty; leave it out instead")


def _check_url(value: str, where: str) -> None:
    if "@" in value:
        raise InputError(f"{where}: holds a name or password; give a token instead")
    try:
        url = urlsplit(value)
        good = url.scheme in ("http", "https") and url.hostname and not url.query
        good = bool(good) and url.port != 0  # the port is only looked at here
    except ValueError:  # brackets without an address, a port that is none
        good = False
    if not good or not value.isprintable() or " " in value:
        raise InputError(f"{where}: is {shown(value)}, expected http://HOST:PORT or https://HOST")


def _take_secrets(values: dict[str, Value], origin: dict[str, str]) -> None:
    """Read the secrets that lie in files of their own."""
    for setting in SETTINGS:
        file = values.get(f"{setting.name}_file")
        if not setting.secret or file is None or values[setting.name] is not None:
            continue
        text = read_secret(Path(str(file)), f"{setting.name}_file {file}").strip()
        values[setting.name], origin[setting.name] = text, str(file)

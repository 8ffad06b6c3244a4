"""The players: registered, changed, found, and their sessions; all but ids comes from the log.

The store's table of players is the anchor that sessions refer to. Its columns of name, handedness
and mass hold what older programs wrote; what the log says stands above it.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import asdict
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from plantigrade.errors import shown
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.clock import HybridClock
from plantigrade_gateway.people.hubtables import places_of
from plantigrade_gateway.people.log import ChangeLog, new_id
from plantigrade_gateway.people.profile import (
    ANSWERS,
    CONSENTS,
    FEET,
    FINDINGS,
    GIVERS,
    LIMITS,
    PLANS,
    PRINTS,
    TAKEN_BACK,
    TOPICS,
    Consent,
    Decision,
    Finding,
    Profile,
    Row,
    check_seen,
    check_whole,
    checked,
    consent_of,
    folded,
    line_of,
    one_called,
    one_of,
    profile_of,
    utc,
)
from plantigrade_gateway.people.tables import engine_for, explained
from plantigrade_gateway.store.rows import at_place, kept_text, utc_text
from plantigrade_gateway.store.schema import default_path, lies_alone
from plantigrade_gateway.store.store import Store

PLAYER = "player"
"""The log's word for what is said of players; consents, findings and decisions are among it, so
that one tombstone takes all of it."""
SESSION = "session"
"""The log's word for what is said of sessions (`visits`)."""
COACH = "coach"
_AHEAD = timedelta(days=1)  # it may be tomorrow already where the decision is made
_FIRST_DAY = date(2000, 1, 1)  # nobody's decision: a year before it was mistyped


class Register:
    """The players of a store.

    Parameters
    ----------
    store : Store
    author : str
        Who says what is said through it; an id or a short word, never a player's name.
    clock : HybridClock, optional
        When it is said; else by this machine's clock.

    Raises
    ------
    StoreError
        The file refuses.
    """

    def __init__(self, store: Store, author: str = COACH, clock: HybridClock | None = None) -> None:
        self.store = store
        self.author = author
        self._engine = engine_for(store.path)
        try:
            with self.explained():
                self.log = ChangeLog(self._engine, clock)
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> "Register":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close what it opened; the store stays open."""
        self._engine.dispose()

    def explained(self) -> AbstractContextManager[None]:
        """Turn what the file refuses into one sentence."""
        return explained(self.store.path)

    def places(self) -> tuple[str, ...]:
        """Return the places of a site that a deletion must reach; none where this is no hub's."""
        with self.explained(), self._engine.connect() as db:
            return places_of(db)

    # What is read

    def profiles(self) -> dict[str, Profile]:
        """Return the players by id, in the order of registration; deleted ones are left out."""
        return {key: profile_of(key, values) for key, values in self._all().items()}

    def _all(
        self, ids: Sequence[str] | None = None, fields: Sequence[str] = ()
    ) -> dict[str, Mapping[str, Any]]:
        """Return what is shown of each player, by id: of some or all, some fields or all."""
        with self.explained():
            said = self.log.all_shown(PLAYER, ids, fields)
            gone = self.log.deleted(PLAYER)
        found: dict[str, Mapping[str, Any]] = dict(self._anchors())
        for player_id, values in said.items():
            found[player_id] = {**found.get(player_id, {}), **values}
        return {key: values for key, values in found.items() if key not in gone}

    def profile(self, player_id: str) -> Profile:
        """Return one player.

        Raises
        ------
        StoreError
            There is no such player.
        """
        found = self._found(player_id)
        if found is None:
            raise StoreError(f"player {shown(player_id)}: not in the store {self.store.path}")
        return found

    def _found(self, player_id: str) -> Profile | None:
        with self.explained():
            said, gone = self.log.shown(PLAYER, player_id), self.log.deleted(PLAYER)
        old = dict(self._anchors(player_id))
        if player_id in gone or not (said or old):
            return None
        return profile_of(player_id, {**old.get(player_id, {}), **said})

    def search(self, text: str = "") -> list[str]:
        """Return the ids of players whose name holds a text or whose id begins so, by name."""
        wanted = folded(text)
        names = {key: folded(name) for key, name in self.names().items()}
        found = [key for key, name in names.items() if wanted in name or key.startswith(wanted)]
        return sorted(found, key=lambda key: names[key])

    def rows(self, search: str = "") -> list[Row]:
        """Return the players by name, of all those whose name or id holds the text searched for."""
        return self.rows_of(self.search(search))

    def rows_of(self, ids: Sequence[str]) -> list[Row]:
        """Return the players of some ids, in their order; one that is not there is left out."""
        visits = {
            player_id: (count, at_place(started, offset_min))
            # Beside max() SQLite gives the other columns of the row that has it.
            for player_id, count, started, offset_min in self.store.database.read(
                "SELECT player_id, count(*), max(started_utc), utc_offset_min"
                " FROM sessions JOIN players USING (player_no) GROUP BY player_no"
            )
        }
        shown = self._all(ids)
        found = []
        for player_id in ids:
            if (values := shown.get(player_id)) is not None:
                count, last = visits.get(player_id, (0, None))
                said = ((topic, values.get(f"decision:{topic}")) for topic in TOPICS)
                answers = {topic: one["answer"] for topic, one in said if one and one["answer"]}
                found.append(Row(profile_of(player_id, values), count, last, answers))
        return found

    def name(self, player_id: str) -> str | None:
        """Return a player's name, for the coach's pages only; None where there is none such."""
        found = self._found(player_id)
        return None if found is None else found.name

    def names(self) -> dict[str, str]:
        """Return the players' names by id; for the coach's pages only."""
        return {
            key: profile_of(key, values).name for key, values in self._all(fields=["name"]).items()
        }

    def find(self, text: str) -> Profile:
        """Return the one player of an id, of a name in either case, or of a beginning of one.

        Raises
        ------
        InputError
            There is none or there are several; says which were perhaps meant.
        """
        return one_called(self.profiles(), text)

    def consents(self, player_id: str, today: date) -> list[Consent]:
        """Return how things stand with each consent of a player."""
        said = self.changes(player_id)
        return [
            consent_of(what, [c for c in said if c.field == f"consent:{what}"], today)
            for what in CONSENTS
        ]

    def findings(self, player_id: str) -> list[Finding]:
        """Return what was found of a player, of what was looked at or said to be not looked at."""
        return [
            Finding(what, change.value["state"], change.value["text"], utc(change))
            for what, change in self._last(player_id, "finding", FINDINGS)
        ]

    def decisions(self, player_id: str, upto: date | None = None) -> list[Decision]:
        """Return the coach's last decision on each topic, of those made until a day."""
        last = self._last(
            player_id,
            "decision",
            TOPICS,
            lambda value: upto is None or date.fromisoformat(value["day"]) <= upto,
        )
        return [
            Decision(
                topic,
                change.value["answer"],
                change.value["cue"],
                date.fromisoformat(change.value["day"]),
                utc(change),
                change.value.get("plan", ""),
            )
            for topic, change in last
            if change.value["answer"] != TAKEN_BACK
        ]

    def prints(self, player_id: str) -> dict[str, str]:
        """Return what the barefoot print of each foot is called, where one was taken."""
        return {foot: change.value for foot, change in self._last(player_id, "print", FEET)}

    def changes(self, player_id: str) -> list[Change]:
        """Return all that was said of a player, in order."""
        with self.explained():
            return self.log.changes(PLAYER, player_id)

    def _last(
        self,
        player_id: str,
        kind: str,
        known: tuple[str, ...],
        counts: Callable[[Any], bool] = lambda value: True,
    ) -> Iterator[tuple[str, Change]]:
        """Give the last change of each thing whose value counts."""
        said = self.changes(player_id)
        for what in known:
            these = [c for c in said if c.field == f"{kind}:{what}" and counts(c.value)]
            if these:
                yield what, these[-1]

    def _anchors(self, player_id: str | None = None) -> Iterator[tuple[str, dict[str, Any]]]:
        """Give what the store itself holds of players: what older programs wrote."""
        for key, name, handedness, mass_kg in self.store.database.read(
            "SELECT player_id, name, handedness, mass_kg FROM players"
            " WHERE ? IS NULL OR player_id = ? ORDER BY player_no",
            (player_id, player_id),
        ):
            texts = {"name": kept_text(name), "handedness": kept_text(handedness)}
            yield kept_text(key), {**texts, "mass_kg": mass_kg}

    # What is said

    def add(self, **given: Any) -> str:  # noqa: ANN401 - JSON values, checked one by one
        """Register a player and return the random id.

        Parameters
        ----------
        **given
            Fields of `Profile`; name and handedness are needed.

        Raises
        ------
        InputError
            A value cannot be, or another player has this name.
        """
        for field, expected in (("name", "a name or a code"), ("handedness", "right or left")):
            if given.get(field) is None:
                raise InputError(f"{field}: is missing, expected {expected}")
        values = checked(given)
        check_whole(profile_of("", values))
        self._check_name(values["name"])
        player_id = new_id()
        self._say(player_id, values)
        self._anchor(player_id, values["handedness"])
        return player_id

    def edit(self, player_id: str, **given: Any) -> list[str]:  # noqa: ANN401 - as `add`
        """Change fields of a player; return the names of those that are not as they were.

        Raises
        ------
        InputError
            As `add`.
        StoreError
            There is no such player.
        """
        before = self.profile(player_id)
        values = checked(given)
        old = {key: list(v) if isinstance(v, tuple) else v for key, v in asdict(before).items()}
        fresh = {field: value for field, value in values.items() if old[field] != value}
        check_whole(profile_of(player_id, {**old, **fresh, "player_id": player_id}))
        if "name" in fresh:
            self._check_name(fresh["name"], player_id)
        if fresh:
            self._say(player_id, fresh)
        return list(fresh)

    def grant(self, player_id: str, what: str, by: str, until: date | None = None) -> None:
        """Note a consent.

        Raises
        ------
        InputError
            There is no such consent, or a minor's is not the guardian's.
        StoreError
            There is no such player.
        """
        day = None if until is None else until.isoformat()
        self._note_consent(player_id, what, by, {"given": True, "until": day})

    def withdraw(self, player_id: str, what: str, by: str) -> None:
        """Note that a consent is withdrawn; it beats every grant that was made before."""
        self._note_consent(player_id, what, by, {"given": False})

    def _note_consent(self, player_id: str, what: str, by: str, value: dict[str, Any]) -> None:
        field = f"consent:{one_of(what, CONSENTS, 'consent')}"
        one_of(by, GIVERS, "given by")
        is_minor = self.profile(player_id).is_minor
        if value["given"] and is_minor and by != "guardian":
            raise InputError("given by: this player is a minor, expected guardian")
        said = [c for c in self.changes(player_id) if c.field == field]
        if value["given"]:
            value["after"] = [c.change_id for c in said if not c.value["given"]]
        self._say(player_id, {field: {**value, "by": by}})

    def note_finding(self, player_id: str, what: str, state: str, text: str = "") -> None:
        """Note what the coach found without the insoles.

        Raises
        ------
        InputError
            There is nothing of this name to look at, or another word for what was found.
        StoreError
            There is no such player.
        """
        self.profile(player_id)
        field = f"finding:{one_of(what, FINDINGS, 'finding')}"
        one_of(state, LIMITS, what)
        self._say(player_id, {field: {"state": state, "text": line_of(text, "text")}})

    def note_print(self, player_id: str, foot: str, name: str) -> None:
        """Note what a barefoot print is called by its area, one of `profile.PRINTS`.

        Raises
        ------
        InputError
            There is no such foot, or no such name.
        StoreError
            There is no such player.
        """
        self.profile(player_id)
        field = f"print:{one_of(foot, FEET, 'foot')}"
        self._say(player_id, {field: one_of(name, PRINTS, "print")})

    def decide(
        self,
        player_id: str,
        topic: str,
        answer: str,
        day: date,
        cue: str = "",
        plan: str = "",
        sheet: tuple[str, str] | None = None,
    ) -> None:
        """Note the coach's decision on a topic, and the words the player is cued with.

        Parameters
        ----------
        player_id : str
        topic, answer, plan : str
            One of `profile.TOPICS`, of `profile.ANSWERS`, and of the topic's `profile.PLANS`; no
            plan is an empty one.
        day : date
        cue : str
        sheet : tuple of (str, str), optional
            The session and the version of the rules (`rulebook`) of the sheet that it was made on.

        Raises
        ------
        InputError
            There is no such topic, no such answer, or no such plan for the topic; or the day is yet
            to come, or of before 2000.
        StoreError
            There is no such player.
        """
        self.profile(player_id)
        field = f"decision:{one_of(topic, TOPICS, 'decision')}"
        one_of(answer, ANSWERS, topic)
        if plan and not PLANS[topic]:
            raise InputError(f"plan: {topic} has none, leave it out")
        if plan:
            one_of(plan, PLANS[topic], f"plan of {topic}")
        _check_day(day)
        value: dict[str, Any] = {"answer": answer, "plan": plan, "cue": line_of(cue, "cue")}
        value["day"] = day.isoformat()
        if sheet is not None:
            value["sheet"] = list(sheet)
        self._say(player_id, {field: value})

    def take_back(self, player_id: str, topic: str, day: date) -> None:
        """Note that nothing is decided on a topic any more; what was decided stays in the log.

        Parameters
        ----------
        player_id, topic : str
        day : date
            From which on.

        Raises
        ------
        InputError
            There is no such topic, or nothing is decided on it; or the day cannot be, as in
            `decide`.
        StoreError
            There is no such player.
        """
        self.profile(player_id)
        one_of(topic, TOPICS, "decision")
        if topic not in {one.topic for one in self.decisions(player_id)}:
            raise InputError(f"{topic}: is not decided, there is nothing to take back")
        _check_day(day)
        value = {"answer": TAKEN_BACK, "plan": "", "cue": "", "day": day.isoformat()}
        self._say(player_id, {f"decision:{topic}": value})

    def anchor(self, player_id: str) -> None:
        """Make sure that sessions can refer to a player who may be known from the log alone.

        Raises
        ------
        StoreError
            There is no such player.
        """
        self._anchor(player_id, self.profile(player_id).handedness)

    def anchored(self) -> set[str]:
        """Return the ids that sessions can refer to; those of deleted players too."""
        return {player_id for player_id, _ in self._anchors()}

    def _anchor(self, player_id: str, handedness: str) -> None:
        with self.store.database.writing() as db:
            db.execute(
                "INSERT INTO players (player_id, name, handedness, created_utc)"
                " VALUES (?, '', ?, ?) ON CONFLICT (player_id) DO NOTHING",
                (player_id, handedness, utc_text(datetime.now(UTC))),
            )

    def _say(self, player_id: str, fields: Mapping[str, Any]) -> None:
        with self.explained():
            self.log.say(PLAYER, player_id, fields, self.author)

    def _check_name(self, name: str, but: str | None = None) -> None:
        check_seen(name)
        for key, other in self.names().items():
            if key != but and folded(other) == folded(name):
                raise InputError(
                    "name: another player is called so; add something that tells them apart"
                )


def _check_day(day: date) -> None:
    if day > datetime.now(UTC).date() + _AHEAD:
        raise InputError(f"day: {day.isoformat()} is yet to come, expected today or before")
    if day < _FIRST_DAY:
        raise InputError(
            f"day: {day.isoformat()} is too long ago, expected {_FIRST_DAY.isoformat()} or later"
        )


@contextmanager
def open_register(path: Path | None, *, create: bool = False) -> Iterator[Register]:
    """Give the players of a store file (`Store.open`); one on a read-only disk is only read."""
    alone = lies_alone(default_path() if path is None else path)
    with Store.open(path, create=create, read_only=alone) as store, Register(store) as register:
        yield register

"""What the API answers, for its OpenAPI document: each class is the shape of one JSON object.

Handlers answer with what `report` and `converter` make of the same values, so that a program gets
from the API, from a command and from an export the same; the tests hold answers to these shapes.
"""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from plantigrade_gateway.analysis.result import Exclusion
from plantigrade_gateway.coach.case import Decided, HoldTakenBack, Questions, Tap
from plantigrade_gateway.coach.compare import Compared
from plantigrade_gateway.coach.facts import FactValue
from plantigrade_gateway.coach.falls import Fall
from plantigrade_gateway.coach.follow import Followed
from plantigrade_gateway.coach.limits import LimitShown
from plantigrade_gateway.coach.progress import Break, Point
from plantigrade_gateway.coach.repeats import Reliability
from plantigrade_gateway.coach.sheet import Looked
from plantigrade_gateway.people.deletion import SentOn
from plantigrade_gateway.people.profile import Consent, Decision, Finding, Profile
from plantigrade_gateway.people.said import Conditions, Join, Note, SetEdit, Stray


@dataclass(frozen=True, slots=True)
class PlayerLine:
    """A player in a list; `answers` are the last decisions by topic."""

    player_id: str
    name: str
    sessions: int
    last: datetime | None
    answers: dict[str, str]


@dataclass(frozen=True, slots=True)
class PlayerList:
    """A page of the players, by name."""

    rows: list[PlayerLine]
    page: int
    pages: int
    total: int


@dataclass(frozen=True, slots=True)
class PlayerDocument:
    """All that stands of a player; `sessions` are the ids, the first one first."""

    schema: int
    player: Profile
    consents: list[Consent]
    findings: list[Finding]
    decisions: list[Decision]
    prints: dict[str, str]
    sessions: list[str]


@dataclass(frozen=True, slots=True)
class ReceiptDocument:
    """What was deleted (`plantigrade_gateway.people.deletion.Receipt`)."""

    schema: int
    player: str
    deleted_utc: str
    sessions: list[str]
    rows: dict[str, int]
    record_bytes: int
    changes: int
    sent_on: list[SentOn]
    traces: str | None
    copies: list[str]
    elsewhere: str


@dataclass(frozen=True, slots=True)
class VisitLine:
    """A session in a list; `player` is the id, null where it is nobody's."""

    session: str
    player: str | None
    started: datetime
    minutes: int
    kind: str
    state: str


@dataclass(frozen=True, slots=True)
class VisitList:
    """A page of sessions, the latest first."""

    rows: list[VisitLine]
    page: int
    pages: int
    total: int


@dataclass(frozen=True, slots=True)
class RulesName:
    """Which rules a sheet was made with."""

    name: str
    version: str


@dataclass(frozen=True, slots=True)
class RuleJudged:
    """A rule, and what it comes to."""

    id: str
    state: str
    says: str
    suggest: str
    player: str
    against: list[str]
    missing: list[str]
    drill: str
    basis: str
    source: str


@dataclass(frozen=True, slots=True)
class TopicJudged:
    """A topic's rules."""

    topic: str
    conflict: bool
    rules: list[RuleJudged]


@dataclass(frozen=True, slots=True)
class SheetDocument:
    """The evidence sheet, as ``plantigrade sheet --json`` prints it."""

    schema: int
    player: str
    session: str | None
    day: date | None
    rules: RulesName
    held: bool
    holds: list[RuleJudged]
    hold_taken_back: HoldTakenBack | None
    decisions: list[Decided]
    topics: list[TopicJudged]
    readiness: list[Looked]
    falls: list[Fall]
    facts: dict[str, FactValue]
    limits: list[LimitShown]
    notes: list[str]


@dataclass(frozen=True, slots=True)
class ComparisonDocument:
    """Two visits side by side, as ``plantigrade compare --json`` prints it."""

    schema: int
    before: str
    after: str
    days: tuple[date, date]
    lines: list[Compared]
    notes: list[str]


@dataclass(frozen=True, slots=True)
class ProgressDocument:
    """A measure over visits, as ``plantigrade compare --measure --json`` prints it."""

    schema: int
    measure: Followed
    points: list[Point]
    breaks: list[Break]
    kind: str | None
    degrees: int | None
    notes: list[str]
    reliability: Reliability


@dataclass(frozen=True, slots=True)
class AnalysisDocument:
    """A session's results, as ``plantigrade show --json`` prints them (`analysis_json.md`)."""

    schema: int
    source: str
    rate_hz: float | None
    duration_s: float | None
    quality: dict[str, Any] | None
    stands: list[dict[str, Any]]
    steps: list[dict[str, Any]]
    swings: list[dict[str, Any]]
    walk: dict[str, Any] | None
    sets: list[dict[str, Any]]
    marks: list[dict[str, Any]]
    drills: list[dict[str, Any]]
    trials: list[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class SwingSaid:
    """What people said of a swing, counted from 1."""

    swing: int
    excluded: Exclusion | None
    eye_push: Tap | None
    eye_heel: Tap | None
    club_speed_m_s: float | None


@dataclass(frozen=True, slots=True)
class SaidDocument:
    """All that people said of a session, as ``plantigrade visit show --json`` prints it."""

    schema: int
    session: str
    questions: Questions | None
    hold_taken_back: HoldTakenBack | None
    conditions: Conditions
    notes: list[Note]
    is_unchanged: bool
    swings: list[SwingSaid]
    no_swing_there_now: list[Stray]
    joins: list[Join]
    sets: dict[str, SetEdit]


@dataclass(frozen=True, slots=True)
class NoteMade:
    """The id of a note, by which it is taken back."""

    note: str


@dataclass(frozen=True, slots=True)
class RulesDocument:
    """A rule file; `version_id` is empty where it comes with the program."""

    schema: int
    version_id: str
    is_built_in: bool
    when: datetime | None
    name: str
    version: str
    text: str

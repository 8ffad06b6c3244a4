"""What a request's body may hold. A key that is not named here is refused, and so is another kind.

Which word a field may be is said by `people.profile` and `people.visits`; here it is bounded.
"""

from datetime import date
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

_LONGEST_LINE, _LONGEST_NAME = 120, 80


def _day(value: object) -> object:
    """Return a text as a day; nothing else is one.

    Raises
    ------
    ValueError
        It is another text.
    """
    if isinstance(value, str):
        day = date.fromisoformat(value)
        if day.isoformat() == value:
            return day
        raise ValueError("expected a day as 2026-12-31")
    return value


Day = Annotated[date, BeforeValidator(_day)]
Line = Annotated[str, Field(max_length=_LONGEST_LINE)]
Name = Annotated[str, Field(min_length=1, max_length=_LONGEST_NAME)]
Mass = Annotated[float, Field(ge=10, le=300)]
Serial = Annotated[str, Field(pattern="^[0-9A-Fa-f]{8}$")]
Pair = Annotated[list[Serial], Field(min_length=2, max_length=2)]
Giver = Literal["player", "guardian"]
SwingNumber = Annotated[int, Field(ge=1, le=100_000)]
Id = Annotated[str, Field(min_length=1, max_length=64)]


class Body(BaseModel):
    """A body: JSON's own kinds, no key beside those named."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class PlayerEdit(Body):
    """Fields of a player to be changed; what is left out stays."""

    name: Name | None = None
    handedness: Literal["right", "left"] | None = None
    mass_kg: Mass | None = None
    shoe: Line = ""
    footbed: Line = ""
    size: Line = ""
    insoles: Pair | None = None
    is_minor: bool = False
    guardian: Annotated[str, Field(max_length=_LONGEST_NAME)] = ""
    next_check: Annotated[str, Field(pattern="^([0-9]{4}-[0-9]{2}-[0-9]{2})?$")] = ""


class NewPlayer(PlayerEdit):
    """A player to be registered."""

    name: Name
    handedness: Literal["right", "left"]


class Confirmation(Body):
    """The player's name, typed: what is deleted cannot be had back."""

    name: Annotated[str, Field(max_length=_LONGEST_NAME)]


class NewConsent(Body):
    """A consent that is given or withdrawn."""

    what: Literal["record", "send on", "speed"]
    state: Literal["given", "withdrawn"]
    by: Giver
    until: Day | None = None


class NewFinding(Body):
    """What the coach found without the insoles."""

    what: Literal["hips", "trunk", "ankles", "balance"]
    state: Literal["no limit", "limit", "not looked"]
    text: Line = ""


class NewDecision(Body):
    """The coach's decision on a topic; `visit` is the one whose sheet it was made on."""

    topic: Literal["lead heel", "push", "speed"]
    answer: Literal["go", "not yet", "not today"]
    plan: Literal["", "up", "down", "either", "deliberate", "even"] = ""
    cue: Line = ""
    day: Day | None = None
    visit: Id | None = None


class Whose(Body):
    """Whose a stored session is."""

    player: Id


class NewAnswer(Body):
    """What came of the questions about pain and red flags; no answer is kept."""

    by: Giver
    hold: Literal["", "red flag", "pain"] = ""


class NewConditions(Body):
    """What was worn and played; what is left out stays, an empty text takes it back."""

    shoe: Line = ""
    footbed: Line = ""
    club: Line = ""
    is_shoe_stiff: bool | None = None
    is_unchanged: bool = False


class NewNote(Body):
    """A line about an instant of session time, s."""

    t_s: Annotated[float, Field(ge=-1e6, le=1e6)]
    text: Annotated[str, Field(min_length=1, max_length=_LONGEST_LINE)]


class NewExclusion(Body):
    """A swing to be left out of all numbers, by its number in the session, from 1."""

    swing: SwingNumber
    reason: Annotated[str, Field(min_length=1, max_length=_LONGEST_LINE)]


class NewTap(Body):
    """What the coach's eye says of a swing; blind: the program's answer was not yet shown."""

    swing: SwingNumber
    what: Literal["push", "heel"]
    answer: Literal["good", "not good", "up", "down"]
    is_blind: bool


class NewSpeed(Body):
    """A swing's club speed, m/s."""

    swing: SwingNumber
    m_s: Annotated[float, Field(gt=0, le=200)]

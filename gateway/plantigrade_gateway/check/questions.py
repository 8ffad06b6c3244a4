"""The questions before every visit: what is asked, and what an answer with yes means.

No answer is kept or sent: only the reason group of a hold, who answered and when (design §8).
"""

from dataclasses import dataclass

PAIN, RED_FLAG = "pain", "red flag"
"""Reason groups of a hold, as they are kept."""
EMERGENCY = "emergency"
"""A red flag whose advice is another; it is kept as `RED_FLAG`."""
BY = ("player", "guardian")
"""Who may answer."""


@dataclass(frozen=True, slots=True)
class Question:
    """A question that is answered by yes or no.

    Attributes
    ----------
    text : str
        To be read aloud.
    group : str
        What a yes is a reason of.
    """

    text: str
    group: str


QUESTIONS = (
    Question(
        "Just now or this week: pain in the chest, faintness, breathlessness that is not usual, "
        "sudden weakness, or new loss of bladder control?",
        EMERGENCY,
    ),
    Question(
        "A foot that is numb, wounded, swollen, hot or discoloured, or suddenly weak?", RED_FLAG
    ),
    Question("Diabetes, and any complaint of a foot?", RED_FLAG),
    Question("Does anything hurt today, standing, walking or swinging?", PAIN),
)
"""What is asked, the gravest first: the first yes decides the group."""

ADVICE = {
    EMERGENCY: "Stop here. Call the emergency services.",
    RED_FLAG: "Stop here: no drill today. See a licensed clinician before training goes on.",
    PAIN: "Stop here: no training on pain. If it stays or comes back, see a licensed clinician.",
}
"""What is said of a hold, by its group."""


def hold_of(group: str) -> str:
    """Return the hold that is kept of a reason group."""
    return RED_FLAG if group == EMERGENCY else group

"""The questions and steps of a guided check as data: what is said, for how long, how often.

The words are to be read aloud as they stand. Numbers without a source are ours. No answer is kept
or sent: only the reason group of a hold, who answered and when (design §8).
"""

from dataclasses import dataclass, replace

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


LIFT, STAND, FLAT, WALK, PRACTICE = "lift", "stand", "flat", "walk", "practice"
"""Those that are trials; the swings after them are sets."""
SMOOTH, FULL, FAST, AGAIN = "smooth", "full", "fast", "again"
"""The sets, in their order; `AGAIN` is swung smooth."""
WARM_UP = "warm_up"
"""The trial that begins a speed block: no step of a check."""

PROMPT_S = 20.0
"""A stand is asked for so long, s."""
SHOE_S = 30.0
"""Walked to get used to the shoe before steps count, s."""
SWINGS, MOST_SWINGS, LEAST_SWINGS = 8, 12, 6
"""Swings of a set that count; made at most; with fewer that count there is no set."""
PRACTICE_SWINGS = 6
STEPS_A_FOOT, LEAST_STEPS = 20, 12
"""Straight steps of each foot that a walk goes on for; with fewer it is not taken (12: Arts & Bus
2011, Clin Biomech 26:880–884, abstract read; 30 are advised: Melvin et al. 2014, Gait Posture
40:682–687)."""
APART_S, FAST_APART_S = 10.0, 20.0
"""Swings lie at least so far apart, s, and fast ones."""
QUESTIONS_S = 45.0
"""What the questions take at a normal pace, s."""


@dataclass(frozen=True, slots=True)
class CheckStep:
    """One step of a guided check.

    Attributes
    ----------
    name : str
    title : str
        For the page.
    said : str
        The one sentence, shown and spoken when a trial is begun.
    then : str
        What else is shown with it; may be empty.
    between : str
        Shown in its place between two trials: what to do until the next start; may be empty.
    ended : str
        Spoken at the end of a trial.
    times : int
        Trials to be taken; of a set 1.
    lead_in_s : float
        From the spoken start until the trial begins, s.
    prompt_s : float or None
        How long a trial is, s; None: until enough is done.
    work_s : float
        How long a trial takes at a normal pace, lead-in apart, s.
    rest_s : float
        Between two trials, and after the last, at a normal pace, s.
    swings : int
        Swings that are wanted; 0 where none are.
    apart_s : float
        Swings lie at least so far apart, s.
    intent : str
        Of a set; empty for a trial.
    skipped_with : str
        Steps of one word here are left out together; which is no gap in what a check is for.
    """

    name: str
    title: str
    said: str
    then: str = ""
    between: str = ""
    ended: str = "Thank you. That was it."
    times: int = 1
    lead_in_s: float = 4.0
    prompt_s: float | None = None
    work_s: float = 0.0
    rest_s: float = 5.0
    swings: int = 0
    apart_s: float = 0.0
    intent: str = ""
    skipped_with: str = ""


_LIFT = CheckStep(
    LIFT,
    "Lift each foot",
    "Lift your left foot off the ground and hold it for three seconds. Then the right one.",
    then="Hold on to something if you like.",
    prompt_s=18.0,
    work_s=15.0,
)
_SWING_S = 12.0  # one swing and the time to the next at a normal pace
_FAST_SWING_S = 22.0

FIRST_LOOK = (
    _LIFT,
    CheckStep(
        STAND,
        "Stand in your shoes",
        "Stand as you would wait for a bus. Look ahead. Stay.",
        between="Step off the spot, and on again.",
        ended="Thank you. Step off.",
        times=3,
        prompt_s=PROMPT_S,
        work_s=PROMPT_S,
        rest_s=8.0,
    ),
    replace(
        _LIFT,
        title="Lift each foot, without shoes",
        then="Lay both insoles flat on the floor, and stand on them in socks.",
        skipped_with=FLAT,
    ),
    CheckStep(
        FLAT,
        "Stand on the insoles, in socks",
        "The same without shoes.",
        then="The insoles flat on the floor, in socks.",
        between="Step off them, and on again.",
        ended="Thank you. Step off.",
        times=2,
        prompt_s=PROMPT_S,
        work_s=PROMPT_S,
        rest_s=20.0,
        skipped_with=FLAT,
    ),
    replace(
        _LIFT,
        title="Lift each foot, shoes on again",
        then="Put the insoles back, and lace as before.",
        rest_s=40.0,
        skipped_with=FLAT,
    ),
    CheckStep(
        WALK,
        "Walk",
        "Walk as if to your car. Turn where you like.",
        then="At least eight steps straight on before each turn.",
        lead_in_s=SHOE_S,
        work_s=35.0,
    ),
    CheckStep(
        PRACTICE,
        "Practice swings",
        "Six easy swings to warm up.",
        then="Your own club, with a ball or without.",
        work_s=PRACTICE_SWINGS * _SWING_S,
        swings=PRACTICE_SWINGS,
    ),
    CheckStep(
        SMOOTH,
        "Smooth swings",
        "Easy.",
        then="Eight swings, each from your own address. Wait ten seconds between them.",
        work_s=SWINGS * _SWING_S,
        swings=SWINGS,
        apart_s=APART_S,
        intent="smooth",
    ),
    CheckStep(
        FULL,
        "Full swings",
        "As on the course.",
        then="Eight swings, each from your own address. Wait ten seconds between them.",
        work_s=SWINGS * _SWING_S,
        swings=SWINGS,
        apart_s=APART_S,
        intent="full",
    ),
)
"""Standing, walking, swinging. A foot is lifted again whenever a shoe was off: else what its laces
press is taken for load."""

SPEED_LOOK = (
    *FIRST_LOOK,
    CheckStep(
        FAST,
        "Fast swings",
        "As fast as you can and still finish in balance.",
        then="Eight swings. Rest twenty seconds between them. Stop if anything hurts.",
        work_s=SWINGS * _FAST_SWING_S,
        swings=SWINGS,
        apart_s=FAST_APART_S,
        intent="fast",
    ),
    CheckStep(
        AGAIN,
        "Smooth again",
        "Easy again.",
        then="Eight swings. Wait ten seconds between them.",
        work_s=SWINGS * _SWING_S,
        swings=SWINGS,
        apart_s=APART_S,
        intent="smooth",
    ),
)
"""A first look, then fast swings, and smooth ones again: these tell tiring apart from speed."""


def usual_s(steps: tuple[CheckStep, ...]) -> float:
    """Return how long a check takes at a normal pace, every trial taken at once, s.

    What is asked for where the soles are flat is left out.
    """
    each = (
        step.times * (step.lead_in_s + step.work_s + step.rest_s)
        for step in steps
        if step.skipped_with != FLAT
    )
    return QUESTIONS_S + sum(each)

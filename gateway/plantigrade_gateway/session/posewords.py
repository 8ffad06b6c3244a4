"""The poses of a calibration in words."""

from plantigrade.poses import Pose

_PROMPTS = {
    Pose.LIFT_LEFT: "Lift the left foot off the ground, or hold its shoe in the air, and keep it "
    "still",
    Pose.LIFT_RIGHT: "Lift the right foot off the ground, or hold its shoe in the air, and keep it "
    "still",
    Pose.BOTH: "Stand still on both feet",
    Pose.ON_LEFT: "Stand still on the left foot alone, the right one in the air",
    Pose.ON_RIGHT: "Stand still on the right foot alone, the left one in the air",
    Pose.ROCK_LENGTH: "Rock on both feet from the heels up onto the toes and back, slowly, again "
    "and again",
    Pose.ROCK_WIDTH: "Rock on both feet from the outer edges to the inner ones and back, slowly, "
    "again and again",
}
_NAMES = {
    Pose.LIFT_LEFT: "left foot in the air",
    Pose.LIFT_RIGHT: "right foot in the air",
    Pose.BOTH: "standing on both feet",
    Pose.ON_LEFT: "standing on the left foot",
    Pose.ON_RIGHT: "standing on the right foot",
    Pose.ROCK_LENGTH: "rocking heel to toe",
    Pose.ROCK_WIDTH: "rocking edge to edge",
}


def prompt(pose: Pose, need_s: float) -> str:
    """Return what to do, and for how long it must be good."""
    return f"{_PROMPTS[pose]}: {need_s:.0f} s."


def name(pose: Pose) -> str:
    """Return what a pose is called."""
    return _NAMES[pose]

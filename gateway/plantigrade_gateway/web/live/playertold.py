"""What a player's page is told: no outcome where the player is to be told none, no coach's words.

A silent set measures without feedback, and an outcome that is read is feedback as much as one that
is heard. So is one that the drill's feedback leaves out: every second one, or all that nobody asks
for. The coach's page is told everything.
"""

from typing import Any

Message = dict[str, Any]
BEGINS = ("backswing", "shift")
"""The phases with which a swing can begin."""
_PLAIN_PHASES = (*BEGINS, "cancelled")  # that a swing is on the way is no outcome
_COACHS = ("player", "hand")
"""What of a first message is for the coach alone."""
_SCORE = ("good", "tried", "unclear", "streak", "best")


def for_player(message: Message) -> Message | None:
    """Return a message as a player's page is told it; None: it is told nothing.

    What holds no outcome that is to be silent is returned as it is.
    """
    kind = message["type"]
    if message.get("to") == "coach":
        return None
    if kind == "hello":
        return _hello(message)
    if kind == "drill":
        return _drill(message)
    if kind == "check":
        return {**message, "line": ""} if message.get("line") else message
    if not message.get("silent"):
        return message
    if kind == "swing":
        counts = {**message["counts"], "good": None}
        return {"type": kind, "n": message["n"], "silent": True, "counts": counts}
    return message if kind == "phase" and message["kind"] in _PLAIN_PHASES else None


def _drill(message: Message) -> Message:
    last = message.get("last")
    if not last or (last["told"] and not last.get("silent")):
        return message
    untold = {"told": False, "verdict": None, "words": None, "line": None}
    return {**message, **dict.fromkeys(_SCORE), "last": {**last, **untold}}


def _hello(message: Message) -> Message:
    """Return a first message: what it holds of the last ones is told as they were."""
    told = {name: value for name, value in message.items() if name not in _COACHS}
    for name in ("swing", "drill", "check", "phase"):
        if told.get(name) is not None:
            told[name] = for_player(told[name])
    recent = [for_player(one) for one in told.get("recent", ())]
    told["recent"] = [one for one in recent if one is not None]
    swing = told.get("swing")
    if swing is not None and swing.get("silent"):
        told["counts"] = {**told["counts"], "good": None}
    return told

"""The process that keeps a hub's working store: what it does costs the pages nothing.

`serve` starts it and is told on its standard output; it ends with its standard input.
"""

import json
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

from plantigrade_gateway import config
from plantigrade_gateway.child import AtWork
from plantigrade_gateway.errors import GatewayError
from plantigrade_gateway.hub.intake import Intake
from plantigrade_gateway.hub.names import alone, store_path
from plantigrade_gateway.hub.objects import Objects

LOOK_EVERY_S = 2.0
"""How often is looked at what the site's tables say, s (ours)."""
TIDY_EVERY_S = 3600.0
"""How often pieces that lie about are looked for, s (ours)."""
KEPT_ALREADY = (
    "another hub keeps it, or plantigrade hub rebuild makes it again; this one waits until that "
    "has ended. Each hub needs a folder of its own (--data)"
)


def main() -> None:
    """Look until standard input ends; a look that failed is said once, and the next one goes on."""
    order = json.loads(sys.argv[1])
    ended = threading.Event()
    threading.Thread(target=_wait, args=(ended,), daemon=True).start()
    # What the environment sets has come with it.
    file = None if order["settings"] is None else Path(order["settings"])
    settings = config.load(file) if order["has_settings"] else None
    place = (Path(order["data"]), Objects.of(order["objects"]), order["name"])
    said = ""
    while not ended.is_set():
        try:
            with alone(place[0]), Intake(*place, settings) as intake:
                _keep(intake, ended)
        except AtWork:
            if not said:
                said = f"Working store {store_path(place[0])}: {KEPT_ALREADY}"
                _say(said)
            ended.wait(LOOK_EVERY_S)


def _keep(intake: Intake, ended: threading.Event) -> None:
    said, tidied_s = "", float("-inf")
    while not ended.is_set():
        try:
            intake.look(_say)
            if time.monotonic() - tidied_s >= TIDY_EVERY_S:
                intake.tidy()
                tidied_s = time.monotonic()
            said = ""
        except GatewayError as error:
            if str(error) != said:
                said = str(error)
                _say(said)
        ended.wait(LOOK_EVERY_S)


def _say(text: str) -> None:
    with suppress(BrokenPipeError):  # whoever would have read it was killed; this ends, too
        print(text, flush=True)


def _wait(ended: threading.Event) -> None:
    sys.stdin.read()
    ended.set()


if __name__ == "__main__":
    main()

"""The gateway of the chaos test: stores events as a session does, and forwards, until killed."""

import sys
import time
from pathlib import Path

from tests.support.records import packets, step, swing

from plantigrade_gateway.config import load
from plantigrade_gateway.forward.launch import opened_forwarder
from plantigrade_gateway.store.recorder import Recorder
from plantigrade_gateway.store.store import Store

EVERY_S = 0.1


def main() -> None:
    """Record a session of events until the process is killed."""
    config = load(Path(sys.argv[2]))
    with Store.open(Path(sys.argv[1])) as store:
        store.recover()
        with opened_forwarder(config, store, _quiet, print):
            if "--no-events" in sys.argv:
                time.sleep(3600)
            session = store.create_session("insoles", analysis_version=1)
            with Recorder(store, session) as recorder:
                k = 0
                while True:
                    k += 1
                    upto = recorder.put(packets(10, first=10 * k))
                    recorder.put_events([step(65 * k), swing(65 * k + 30)], upto)
                    time.sleep(EVERY_S)


def _quiet(_: str) -> None:
    pass


if __name__ == "__main__":
    main()

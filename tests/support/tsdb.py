"""A session that was live, sent to a real database with everything that is sent of one."""

import asyncio
import time
from pathlib import Path

from tests.support.bay import until
from tests.support.servers import Victoria, free_port

from plantigrade_gateway import config
from plantigrade_gateway.forward.launch import link_body
from plantigrade_gateway.forward.process import ForwardingProcess
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.sinks import LOADS, MQTT, TSDB
from plantigrade_gateway.sound.output import open_sound
from plantigrade_gateway.sources.recording import at_once
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.results import reanalyse
from plantigrade_gateway.store.status import FootStatus
from plantigrade_gateway.store.store import Store

AWAY = MQTT
"""The sink that is not there, so that something waits."""
LINKS = 4
"""Samples of each foot's link health."""
SESSION_S = 200.0
"""Of the practice session: walking, standing, a set with swings in it, cues."""


def sent_session(folder: Path, victoria: Victoria, bay: str = "b1") -> tuple[Path, str]:
    """Record a session, send all of it, change its results and send those.

    Returns
    -------
    Path
        The store; its settings, as `bay` of the site "north", lie beside it.
    str
        The session's id.
    """
    settings = folder / "settings.toml"
    settings.write_text(
        f'site = "north"\nbay = "{bay}"\nlink_every_s = 1.0\n'
        f'[tsdb]\nurl = "{victoria.url}"\nloads = true\nhold_s = 0.2\n'
        f'[mqtt]\nhost = "127.0.0.1"\nport = {free_port()}\n',
        "utf-8",
    )
    store_path = folder / "store.sqlite3"
    with Store.open(store_path) as store:
        outbox = Outbox(store.database)
        outbox.configure([TSDB, LOADS, AWAY])
        live = LiveSession(store, "insoles", open_sound("none").output, on_problem=lambda _: None)
        for batch in at_once(read_replay(demo_file())):
            live.push(batch)
            if live.analysis.now_s > SESSION_S:
                break
        for k in range(LINKS):
            feet = [
                FootStatus(foot, "streaming", 80 - k, -60, 1, 100 + k, k, 0, 0.1, 3.2, 0.002, True)
                for foot in ("left", "right")
            ]
            bodies = {foot.name: link_body(foot) for foot in feet}
            outbox.put_links(f"north/{bay}", time.time_ns() // 1_000_000, bodies)
            time.sleep(0.01)  # a sample each has a time of its own
        live.close("stop")
        asyncio.run(_send(store_path, config.load(settings, {}), outbox))
        # A body that differs from what was given out: the whole session is sent again.
        with store.database.writing() as db:
            db.execute(
                "UPDATE events SET body = json_set(body, '$.confirmed_s', 0.5) WHERE kind = 'step'"
            )
        reanalyse(store, live.session_id)
        asyncio.run(_send(store_path, config.load(settings, {}), outbox))
    return store_path, live.session_id


def send_again(store_path: Path) -> None:
    """Send what waits in a store that `sent_session` made."""
    settings = config.load(store_path.with_name("settings.toml"), {})
    with Store.open(store_path) as store:
        asyncio.run(_send(store_path, settings, Outbox(store.database)))


async def _send(store: Path, settings: config.Config, outbox: Outbox) -> None:
    forwarding = ForwardingProcess(store, settings, lambda _: None)
    running = asyncio.create_task(forwarding.run())
    await until(lambda: all(d.waiting == 0 for d in outbox.depths() if d.sink != AWAY))
    away = next(courier for courier, _ in forwarding._ways if courier.sink == AWAY)
    await until(lambda: away.problem not in (None, away.NOT_YET))
    await asyncio.sleep(2.2)  # it says twice more how it stands: link_every_s is 1
    forwarding.stop.set()
    await running

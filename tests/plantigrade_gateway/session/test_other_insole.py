"""An insole that somebody else builds works the first time: sixteen zones, 16 bits, own encoder.

Everything above HCI is real. What is expected is the synthetic player's own truth, and what is
refused is said at pairing.
"""

import asyncio
import contextlib
import csv
import io
import json
import re
import socket
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import websockets
from click.testing import CliRunner, Result
from fastapi import FastAPI
from fastapi.testclient import TestClient
from rich.console import Console
from tests.support.scans import scans_until
from tests.support.waiting import HANG_S

from plantigrade.block import Foot
from plantigrade.events import Manner
from plantigrade.limits import G_M_S2
from plantigrade.synth import Player, Stand, Swing, Walk
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.session.calibrate import CalibrationOptions, calibrate
from plantigrade_gateway.session.insoles import InsoleJob, InsoleOptions
from plantigrade_gateway.session.runner import run
from plantigrade_gateway.session.stage import RunOptions
from plantigrade_gateway.sources.live import StreamConfig
from plantigrade_gateway.store import calibrations, results
from plantigrade_gateway.store.insoles import known
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.routes import desk_router
from plantigrade_gateway.web.desk.worker import prepare
from plantigrade_gateway.web.live.page import WebOptions

try:
    from tests.support.sixteen import (
        GAINS,
        LAYOUT,
        Body,
        BodyClock,
        OtherInsole,
        information,
        performed,
        stored_curve,
    )

    from plantigrade_gateway.virtual.air import Air, AirController, RadioConditions, serve_radio
except ImportError:
    pytest.skip(
        "virtual insoles need the extra: pip install 'plantigrade[virtual]'",
        allow_module_level=True,
    )

pytestmark = pytest.mark.slow

SPEED = 5.0
PLAYER = Player()
WEIGHT_N = PLAYER.mass_kg * G_M_S2
SESSION = (Stand(8.0), Walk(10), Stand(3.0), Swing(), Swing(), Swing(), Stand(4.0))
FEET = tuple(Foot)


@contextlib.asynccontextmanager
async def on_air(*insoles: OtherInsole, air: Air, clock: BodyClock) -> AsyncIterator[str]:
    """The insoles, and the transport of a radio that hears them."""
    going = asyncio.create_task(clock.run())
    listener = socket.create_server(("127.0.0.1", 0))
    port = listener.getsockname()[1]
    async with contextlib.AsyncExitStack() as stack:
        stack.callback(going.cancel)
        await stack.enter_async_context(serve_radio(AirController("gateway", link=air), listener))
        for insole in insoles:
            await insole.start()
            stack.push_async_callback(insole.close)
        yield f"tcp-client:127.0.0.1:{port}"


def still_air() -> Air:
    return Air(RadioConditions(interval_s=0.0))


async def command(*arguments: object) -> Result:
    """A command in a thread, as it would be in a process: it has a loop of its own."""
    return await asyncio.to_thread(
        CliRunner().invoke, main, [str(a) for a in arguments], catch_exceptions=False
    )


async def calibrated(store: Path, transport: str, clock: BodyClock, body: Body) -> str:
    """Guide the make-believe player through a calibration; return what was shown."""
    asked: asyncio.Queue[str] = asyncio.Queue()
    shown = io.StringIO()

    async def follow() -> None:
        while True:
            pose = await asked.get()
            body.do(pose, clock.t_s)

    following = asyncio.create_task(follow())
    try:
        request = CalibrationOptions(
            store, PLAYER.mass_kg, radio=transport, asked=asked, now_ns=clock.now_ns
        )
        async with asyncio.timeout(4 * HANG_S):
            assert await calibrate(request, Console(file=shown, width=300), asyncio.Event())
    finally:
        following.cancel()
    return shown.getvalue()


async def watched(shown: io.StringIO, told: list[dict[str, Any]]) -> None:
    """Look at the live page of a run as a browser does."""
    while (found := re.search(r"http://[\d.:]+", shown.getvalue())) is None:
        await asyncio.sleep(0.05)
    url = found[0].replace("http", "ws") + "/live"
    async with websockets.connect(url, origin=websockets.Origin(found[0])) as page:
        async for text in page:
            told.append(json.loads(text))


async def recorded(
    store: Path, transport: str, clock: BodyClock, body: Body, told: list[dict[str, Any]]
) -> str:
    """Have the player do the session while it is recorded; return what was shown."""
    shown, stop = io.StringIO(), asyncio.Event()
    stream = StreamConfig(10_000, 4)
    job = InsoleJob(
        InsoleOptions(stream, None, transport, clock.now_ns), SessionSettings(PLAYER.mass_kg)
    )
    options = RunOptions(sound=False, store=store, page=WebOptions(port=0))
    work = asyncio.create_task(run(job, options, Console(file=shown, width=300), stop))
    watching = asyncio.create_task(watched(shown, told))
    async with asyncio.timeout(HANG_S):
        while not work.done() and shown.getvalue().count(": connected (") < 2:
            await asyncio.sleep(0.05)
    begin_s = clock.t_s + 2.0
    body.do("session", begin_s)
    await clock.until(begin_s + body.duration_s("session") + 3.0)
    stop.set()
    await work
    watching.cancel()
    with contextlib.suppress(asyncio.CancelledError, websockets.ConnectionClosed):
        await watching
    return shown.getvalue()


class Made:
    """What came of the whole way of a first day."""

    paired: Result
    status: str
    calibrated: str
    shown: str
    told: list[dict[str, Any]]
    found: Analysis
    store: Path
    gains: dict[Foot, float]
    body: Body


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Pair, calibrate, stand, walk and swing with a pair of other insoles."""
    done = Made()
    done.store = tmp_path_factory.mktemp("other") / "store.sqlite3"

    async def first_day() -> None:
        air, body, clock = still_air(), Body(PLAYER, SESSION), BodyClock(SPEED)
        curve = stored_curve()
        pair = [OtherInsole(air, foot, body, clock, information(10), curve) for foot in FEET]
        async with on_air(*pair, air=air, clock=clock) as transport:
            store = ("--store", done.store)
            with scans_until(2):
                done.paired = await command("pair", "--seconds", 1, "--radio", transport, *store)
            done.status = (await command("status", *store)).stdout
            done.calibrated = await calibrated(done.store, transport, clock, body)
            done.told = []
            done.shown = await recorded(done.store, transport, clock, body, done.told)
        done.body = body

    asyncio.run(first_day())
    with Store.open(done.store) as store:
        (session,) = store.sessions()
        done.found = results.read(store, session.session_id)
        prepare(store, session.session_id)
        made = {insole.foot: calibrations.latest(store, insole) for insole in known(store)}
    done.gains = {foot: one.calibration.gain for foot, one in made.items() if one is not None}
    return done


def test_pairing_says_what_they_are_and_keeps_their_curve(made):
    assert made.paired.exit_code == 0, made.paired.output
    said = " ".join(made.paired.stdout.split())
    assert "Remembered: left insole (0C0FFE00), 0C0FFE00, 265 mm, 16 zones, 16 bits." in said
    assert "0C0FFE01, 265 mm, 16 zones, 16 bits." in said
    status = " ".join(made.status.split())
    assert status.count("firmware 2.3; curve 0000002A stored in the insole, not fitted") == 2


def test_the_calibration_finds_the_gains(made):
    """The make-believe insoles read .80 and .90 of a load; straight lines between the stored
    curve's points read up to 2 % less than the cell's bent one."""
    assert "Both calibrations are stored." in made.calibrated
    for foot in FEET:
        assert made.gains[foot] * GAINS[foot] == pytest.approx(1.0, abs=0.03)


def test_nothing_is_lost_and_nothing_saturated(made):
    quality = made.found.quality
    assert quality is not None
    assert (quality.zones, quality.layout) == (16, "hardware 2016")
    assert quality.mass_kg == PLAYER.mass_kg
    for foot in (quality.left, quality.right):
        assert foot.link is not None and foot.link.lost_packets == 0
        assert foot.saturated_samples == 0
        assert foot.unused_zones == ()
        assert foot.calibration is not None and foot.calibration.startswith("calibrated 20")


def test_steps_and_swings_are_those_that_were_done(made):
    truth = performed(made.body).truth
    steps = [step for step in made.found.steps if not step.touches_gap]
    assert len(steps) == len(truth.steps)
    assert [step.foot for step in steps] == [step.foot for step in truth.steps]
    assert len(made.found.swings) == len(truth.swings) == 3
    offset_s = steps[0].strike_s - truth.steps[0].strike_s
    for got, done in zip(steps, truth.steps, strict=True):
        assert got.strike_s - offset_s == pytest.approx(done.strike_s, abs=0.03)
        assert got.off_s - offset_s == pytest.approx(done.off_s, abs=0.03)
        assert got.midfoot_impulse_share == pytest.approx(done.midfoot_impulse_share, abs=0.02)
    for swing, real in zip(made.found.swings, truth.swings, strict=True):
        assert swing.lead is real.lead
        assert swing.lead_peak_s - offset_s == pytest.approx(real.lead_peak_s, abs=0.05)
        assert swing.lead_peak_bw == pytest.approx(real.lead_peak_bw, rel=0.05)
        assert swing.push.manner is real.manner
    assert {real.manner for real in truth.swings} == {Manner.ROLLED, Manner.SKIPPED}


def test_a_stand_weighs_what_the_player_does(made):
    """5661 N were said for 735 N, once."""
    truth = performed(made.body).truth
    stand = max(made.found.stands, key=lambda stand: stand.end_s - stand.start_s)
    assert stand.left.load_n + stand.right.load_n == pytest.approx(WEIGHT_N, rel=0.03)
    assert stand.left_share == pytest.approx(truth.stands[0].left_share, abs=0.02)
    assert stand.left.midfoot_share == pytest.approx(truth.stands[0].left_midfoot_share, abs=0.02)


def test_the_live_page_shows_sixteen_zones_and_their_loads(made):
    hello = [m for m in made.told if m["type"] == "hello"][-1]
    assert [zone["area_mm2"] for zone in hello["layout"]["zones"]] == LAYOUT.area_mm2.tolist()
    feet = [foot for m in made.told if m["type"] == "frame" for foot in m["feet"].values()]
    seen = [foot for foot in feet if foot["zones"] is not None and None not in foot["zones"]]
    assert len(seen) > 100
    gross = np.array([foot["zones"] for foot in seen]) @ LAYOUT.area_mm2 / 1000.0
    net = np.array([foot["load_n"] for foot in seen], dtype=float)
    heavy = net > 0.3 * WEIGHT_N
    assert heavy.sum() > 20
    # the load is net of the foot's baseline, and the zones come with the packet after
    assert np.median(np.abs(gross - net)[heavy]) < 0.03 * WEIGHT_N


@pytest.fixture
def client(made: Made) -> Iterator[TestClient]:
    app = FastAPI()
    app.include_router(desk_router(made.store))
    with TestClient(app) as client:
        yield client


def test_the_desk_shows_sixteen_zones_and_their_loads(made, client):
    with Store.open(made.store) as store:
        (session,) = store.sessions()
    base = f"/sessions/{session.session_id}"
    page = client.get(f"{base}/swings/1")
    assert page.status_code == 200, page.text
    frames = client.get(f"{base}/swings/1/frames.json").json()
    assert [zone["area_mm2"] for zone in frames["layout"]["zones"]] == LAYOUT.area_mm2.tolist()
    assert frames["layout"]["length_mm"] == 265
    area = LAYOUT.area_mm2 / 1000.0
    for foot in FEET:
        zones = np.array(frames["feet"][str(foot)]["zones"], dtype=float)
        load_bw = np.array(frames["feet"][str(foot)]["load"], dtype=float)
        assert zones.shape[1] == 16
        from_zones = zones @ area / WEIGHT_N
        both = np.isfinite(from_zones) & np.isfinite(load_bw)  # at the ends one may be missing
        assert both.mean() > 0.9
        np.testing.assert_allclose(from_zones[both], load_bw[both], atol=0.03)


async def test_the_export_holds_sixteen_zones_that_carry_the_body(made, tmp_path):
    done = await command("export", "last", "--to", tmp_path / "out", "--store", made.store)
    assert done.exit_code == 0, done.output
    (frames,) = (tmp_path / "out").glob("*frames*.csv")
    with frames.open(newline="") as file:
        head, *rows = list(csv.reader(line for line in file if not line.startswith("#")))
    assert head == ["time_s", *(f"{side}{k}" for side in "LR" for k in range(1, 17))]
    values = np.array([[float(v or "nan") for v in row] for row in rows])
    stand = max(made.found.stands, key=lambda stand: stand.end_s - stand.start_s)
    still = (values[:, 0] >= stand.start_s) & (values[:, 0] <= stand.end_s)
    load_n = np.nanmean(values[still][:, 1:], axis=0) @ np.tile(LAYOUT.area_mm2, 2) / 1000.0
    assert load_n == pytest.approx(WEIGHT_N, rel=0.03)


# ---- what cannot be used is said at pairing

SIXTEEN, CURVE = information(10), stored_curve()
BROKEN = information(10)[:30]
OF_17_BITS = information(0, bits=17)


@pytest.mark.parametrize(
    ("said", "curve", "zones", "sentence"),
    [
        (None, None, 16, "it sends 16 zones and does not say where they lie"),
        (SIXTEEN, CURVE, 15, "it sends 15 zones and says that it has 16"),
        (BROKEN, CURVE, 16, "information of 30 bytes, expected 130 for 16 zones"),
        (OF_17_BITS, None, 16, "full scale of 17 bits, expected 8 to 16"),
        (SIXTEEN, CURVE[:-2], 16, "stored curve of 376 bytes, expected 378"),
        (SIXTEEN, None, 16, "it says that it stores a curve, and offers none"),
    ],
)
async def test_what_cannot_be_used_is_said_at_pairing(said, curve, zones, sentence, tmp_path):
    store = tmp_path / "store.sqlite3"
    air, body, clock = still_air(), Body(PLAYER, (Stand(1.0),)), BodyClock(SPEED)
    insole = OtherInsole(air, Foot.LEFT, body, clock, said, curve, zones)
    async with on_air(insole, air=air, clock=clock) as transport:
        with scans_until(1):
            done = await command("pair", "--seconds", 1, "--radio", transport, "--store", store)
    assert done.exit_code == 2
    (line,) = done.stderr.strip().splitlines()
    assert line.startswith("Error: left insole 0C0FFE00: ") and sentence in line
    if store.exists():
        with Store.open(store) as opened:
            assert known(opened) == []


async def test_a_pair_of_different_zones_is_refused_at_pairing_and_at_the_start(tmp_path):
    store = tmp_path / "store.sqlite3"
    air, body, clock = still_air(), Body(PLAYER, (Stand(1.0),)), BodyClock(SPEED)
    left = OtherInsole(air, Foot.LEFT, body, clock, SIXTEEN, CURVE)
    right = OtherInsole(air, Foot.RIGHT, body, clock, information(0, 14), None, 14)
    async with on_air(left, right, air=air, clock=clock) as transport:
        options = ("--seconds", 1, "--radio", transport, "--store", store)
        with scans_until(2):
            both = await command("pair", *options)
            assert both.exit_code == 2
            assert (
                "the two insoles have different zones (the left 16 of kind 2016 and" in both.stderr
            )
            one = await command("pair", "--left", "0C0FFE00", *options)
            assert one.exit_code == 0, one.output
            other = await command("pair", "--right", "0C0FFE01", *options)
            assert "The two insoles have different zones" in " ".join(other.stdout.split())
        job = InsoleJob(InsoleOptions(radio=transport))
        with pytest.raises(InputError, match="different zones"):
            await run(job, RunOptions(sound=False, store=store), Console(), asyncio.Event())

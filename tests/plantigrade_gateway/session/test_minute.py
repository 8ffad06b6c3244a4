"""A player's minute: what is heard, shown, said, counted and stored of each repetition is one.

The whole program with virtual insoles in a process of their own and a real page, as
``plantigrade run --virtual --drill push`` runs it, but several times as fast as life. Only the
finished sound file says what was heard: each motif is looked for in it by its shape.
"""

import asyncio
import contextlib
import io
import json
import math
import re
import time
import wave
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import websockets
from numpy.typing import NDArray
from rich.console import Console
from scipy.signal import butter, find_peaks, oaconvolve, sosfiltfilt
from tests.support.waiting import HANG_S

from plantigrade_gateway.cli.drills import drilling
from plantigrade_gateway.record.entries import Kind
from plantigrade_gateway.report.frames import net_rows
from plantigrade_gateway.session.insoles import InsoleJob, InsoleOptions
from plantigrade_gateway.session.runner import run
from plantigrade_gateway.session.stage import RunOptions
from plantigrade_gateway.sound.motifs import Motif, motif
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.virtual.process import Simulation
from plantigrade_gateway.web.live.page import WebOptions

pytest.importorskip("bumble", reason="virtual insoles need the extra 'virtual'")

pytestmark = pytest.mark.slow

Heard = tuple[float, str]

NOTES = Path(__file__).resolve().parents[3] / "hardware_notes"

SPEED = 6
REPETITIONS = 6
RATE_HZ = 48_000
MARGIN = RATE_HZ // 10
LEAST_FIT = 0.9
BEFORE_S = 5.0  # in which an address and the steps before it are looked for
LIFTED = Motif.HEEL_LIFTED
OUTCOMES = [kind for kind in Motif if not kind.startswith("heel_")]
VERDICTS = {Motif.GOOD: "good", Motif.ROLLED: "good", Motif.UNCLEAR: "unclear"}
"""What a motif tells of a repetition; every other outcome's tells that it was missed."""


@dataclass
class Minute:
    """What was kept of one run.

    Attributes
    ----------
    messages : list
        What the page was told, in order.
    wav : Path
        The gateway's sound.
    store : Path
    shown : str
        What the terminal showed.
    """

    wav: Path
    store: Path
    messages: list[dict[str, Any]] = field(default_factory=list)
    shown: str = ""

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [message for message in self.messages if message["type"] == kind]


async def play(folder: Path) -> Minute:
    """Run until enough repetitions were scored."""
    minute = Minute(folder / "sound.wav", folder / "store.sqlite3")
    shown, stop = io.StringIO(), asyncio.Event()
    job = InsoleJob(
        InsoleOptions(
            simulation=Simulation(speed=SPEED), now_ns=lambda: SPEED * time.monotonic_ns()
        )
    )
    options = RunOptions(
        wav=minute.wav,
        store=minute.store,
        page=WebOptions(port=0),
        drilling=drilling(minute.store, "push", None, False),
    )
    work = asyncio.create_task(run(job, options, Console(file=shown, width=200), stop))
    try:
        async with asyncio.timeout(3 * HANG_S):
            while (found := re.search(r"http://[\d.:]+", shown.getvalue())) is None:
                assert not work.done(), shown.getvalue()
                await asyncio.sleep(0.05)
            url = found[0].replace("http", "ws") + "/live"
            async with websockets.connect(url, origin=websockets.Origin(found[0])) as page:
                async for text in page:
                    message = json.loads(text)
                    minute.messages.append(message)
                    if message["type"] == "drill" and message.get("tried", 0) == REPETITIONS:
                        break
    finally:
        stop.set()
        with contextlib.suppress(asyncio.CancelledError):
            await work
    minute.shown = shown.getvalue()
    return minute


@pytest.fixture(scope="module")
def minute(tmp_path_factory: pytest.TempPathFactory) -> Minute:
    return asyncio.run(play(tmp_path_factory.mktemp("minute")))


def heard(path: Path, kinds: Iterable[Motif], over_hz: float | None = None) -> list[Heard]:
    """Find motifs in a sound file by normalised cross-correlation with each.

    Where several are alike to what sounds, it is the one that fits best.

    Parameters
    ----------
    path : Path
    kinds : iterable of Motif
        What to look for.
    over_hz : float, optional
        Look at what is over this frequency only: over the tone and the glide that go on meanwhile.
    """
    with wave.open(str(path)) as file:
        assert (file.getframerate(), file.getnchannels(), file.getsampwidth()) == (RATE_HZ, 1, 2)
        raw = file.readframes(file.getnframes())
    sound = np.pad(np.frombuffer(raw, "<i2") / 32767.0, MARGIN)
    found: list[tuple[float, float, str]] = []
    for kind in kinds:
        shape = np.pad(motif(kind).astype(np.float64), MARGIN if over_hz else 0)
        if over_hz:
            high = butter(4, over_hz, "highpass", fs=RATE_HZ, output="sos")
            shape, mix = sosfiltfilt(high, shape), sosfiltfilt(high, sound)
        else:
            mix = sound
        fit = oaconvolve(mix, shape[::-1], mode="valid")
        power = oaconvolve(mix**2, np.ones(len(shape)), mode="valid")
        fit /= np.sqrt(np.maximum(power, 1e-6) * np.sum(shape**2))
        begins = MARGIN if over_hz else 0
        for k in find_peaks(fit, height=LEAST_FIT, distance=RATE_HZ // 10)[0]:
            found.append((float(fit[k]), float(k + begins - MARGIN) / RATE_HZ, str(kind)))
    best: list[Heard] = []
    for _, at_s, name in sorted(found, reverse=True):
        if all(abs(at_s - other_s) > 0.3 for other_s, _ in best):
            best.append((at_s, name))
    return sorted(best)


def told(minute: Minute, kinds: Iterable[str]) -> list[Heard]:
    """When the page was told to sound these, and which."""
    cues = (cue for cue in minute.of("cue") if cue["kind"] in kinds)
    return [(cue["decided_s"] + cue["delay_s"], cue["kind"]) for cue in cues]


def same(found: list[Heard], expected: list[Heard]) -> bool:
    """Whether the same kinds were found, each within 10 ms of its time."""
    return [kind for _, kind in found] == [kind for _, kind in expected] and all(
        abs(a - b) < 0.01 for (a, _), (b, _) in zip(found, expected, strict=True)
    )


def scores(minute: Minute) -> dict[int, dict[str, Any]]:
    """The page's score after each repetition, by the repetition's number."""
    chosen = (m for m in minute.of("drill") if m["name"] is not None)
    return {m["tried"] + m["unclear"]: m for m in chosen if m["last"] is not None}


def test_every_repetition_is_one_in_sound_tick_words_score_and_store(minute):
    shown_scores, swings = scores(minute), minute.of("swing")
    outcomes = told(minute, OUTCOMES)
    assert len(swings) == len(outcomes) == len(shown_scores) >= REPETITIONS
    with Store.open(minute.store) as store:
        (session,) = store.sessions()
        stored = results.read(store, session.session_id)
    (drill,) = stored.drills
    good = tried = streak = 0
    for swing, (_, kind) in zip(swings, outcomes, strict=True):
        n = swing["n"]
        score, rep, kept = shown_scores[n], drill.reps[n - 1], stored.swings[n - 1]
        verdict, said = score["last"]["verdict"], score["last"]["words"]
        assert verdict == VERDICTS.get(Motif(kind), "missed")  # sound and tick
        assert said.startswith(swing["words"]["push"])  # words of drill and swing
        if verdict == "good":
            assert f", in {swing['words']['transfer']}" in said
        assert swing["words"]["outcome"] in minute.shown
        good, tried = good + (verdict == "good"), tried + (verdict != "unclear")
        streak = {"good": streak + 1, "missed": 0, "unclear": streak}[verdict]
        assert (score["good"], score["tried"], score["streak"]) == (good, tried, streak)
        assert (str(rep.verdict), rep.words) == (verdict, said)  # what is stored
        push = swing["swing"]["push"]
        assert (push["manner"], push["timing"]) == (kept.push.manner, kept.push.timing)
        assert push["transfer_s"] == kept.push.transfer_s


def test_what_the_page_was_told_to_sound_is_what_the_gateway_sounded(minute):
    outcomes = told(minute, OUTCOMES)
    until_s = outcomes[-1][0] + 0.5  # the page was left then, the file went on
    assert same([one for one in heard(minute.wav, OUTCOMES) if one[0] < until_s], outcomes)


@pytest.fixture(scope="module")
def missing_s(minute: Minute) -> NDArray[np.float64]:
    """When a foot's samples are missing for the analysis, or came too late for it, s."""
    with Store.open(minute.store) as store:
        (session,) = store.sessions()
        rows = [block for _, block, _, _ in net_rows(store.batches(session.session_id))]
    bad = [np.isnan(np.hstack((block.left, block.right))).any(axis=1) for block in rows]
    return np.concatenate([block.t_s[k] for block, k in zip(rows, bad, strict=True)])


def is_whole(swing: dict[str, Any], missing_s: NDArray[np.float64]) -> bool:
    """Whether no sample is missing in a swing and before it: a machine that is busy loses some.

    While it goes on, nobody knows whether a foot stepped where samples are missing; no tick then.
    """
    first, last = swing["address_s"] - BEFORE_S, swing["finish_s"] or math.inf
    return not np.any((missing_s >= first) & (missing_s <= last))


def test_every_lifted_heel_ticks_once_in_its_backswing(minute, missing_s):
    ticks = told(minute, [LIFTED])
    found = heard(minute.wav, [LIFTED], over_hz=1500.0)
    assert same([one for one in found if one[0] < ticks[-1][0] + 0.5], ticks)
    swings = [one["swing"] for one in minute.of("swing")]
    broken = [one for one in swings if not is_whole(one, missing_s)]
    ticks = [
        (at_s, kind)
        for at_s, kind in ticks
        if not any(one["start_s"] < at_s < one["lead_peak_s"] for one in broken)
    ]
    lifts = [one for one in swings if one["heel_lift"]["state"] == "lifted" and one not in broken]
    assert len(lifts) == len(ticks) > 0
    for swing, (at_s, _) in zip(lifts, ticks, strict=True):
        assert swing["start_s"] < at_s < swing["lead_peak_s"]


def test_the_player_is_heard_to_succeed_and_to_fail(minute, missing_s):
    """Each four of the mixed player's pushes, from the first on, hold two of both.

    One is unclear only where samples are missing.
    """
    kinds = [kind for _, kind in heard(minute.wav, OUTCOMES)]
    verdicts = {VERDICTS.get(Motif(kind), "missed") for kind in kinds}
    assert verdicts - {"unclear"} == {"good", "missed"}
    swings = [one["swing"] for one in minute.of("swing")]
    unclear = [one for one in swings if one["push"]["manner"] == "unclear"]
    assert not any(is_whole(one, missing_s) for one in unclear)


def test_what_the_insoles_said_of_themselves_is_of_the_replay_files_schema(minute):
    whole = json.loads((NOTES / "replay.schema.json").read_text("utf-8"))
    validator = jsonschema.Draft202012Validator({**whole, "$ref": "#/$defs/connected"})
    with Store.open(minute.store) as store:
        (session,) = store.sessions()
        entries = [entry for batch in store.batches(session.session_id) for entry in batch]
    said = [json.loads(entry.data) for entry in entries if entry.kind is Kind.CONNECTED]
    assert {table["foot"] for table in said} == {"left", "right"}
    for table in said:
        validator.validate(table)
        without_log = {"log"}  # these insoles keep none
        assert set(table) == set(whole["$defs"]["connected"]["properties"]) - without_log

"""The page's modules by themselves, in a real browser: what they compute, and what they sound."""

import base64
from collections.abc import Iterator
from importlib import resources
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from playwright.sync_api import Browser, Page, Route
from scipy.signal import find_peaks

from plantigrade.zones import eighteen
from plantigrade_gateway.sound.motifs import CEILING, KNEE, soft_limit, voice_period
from plantigrade_gateway.sound.pitch import STALE_S, TONE_PEAK

pytestmark = pytest.mark.dear

STATIC = resources.files("plantigrade_gateway") / "web" / "static"
RATE = 48_000


@pytest.fixture(scope="module")
def page(browser: Browser) -> Iterator[Page]:
    """Give an empty page beside the modules."""

    def answer(route: Route) -> None:
        name = route.request.url.rsplit("/", 1)[-1]
        if name.endswith(".js"):
            route.fulfill(body=(STATIC / name).read_text("utf-8"), content_type="text/javascript")
        else:
            route.fulfill(body="<!doctype html><title>empty</title>", content_type="text/html")

    with browser.new_context() as context:
        page = context.new_page()
        page.route("**/*", answer)
        page.goto("http://page.invalid/static/")
        yield page


def test_the_wait_before_connecting_again_doubles_and_stays_short(page):
    waits = page.evaluate(
        "import('./socket.js').then(m => [0, 1, 2, 3, 4, 5, 50].map(n => m.backOff(n, 1)))"
    )
    assert waits == [300, 600, 1200, 2400, 4800, 5000, 5000]
    least = page.evaluate("import('./socket.js').then(m => m.backOff(1, 0))")
    assert least == 450


def test_the_floor_is_the_least_of_the_last_seconds(page):
    values = page.evaluate(
        """import('./floor.js').then(({Floor}) => {
            const floor = new Floor(3), out = [floor.value];
            for (const [at, v] of [[0, 5], [0.5, 3], [0.9, 4], [1, 7], [2.9, 6], [3, 8], [4, 9]]) {
                floor.add(at, v);
                out.push(floor.value);
            }
            return out;
        })"""
    )
    assert values == [None, 5, 3, 3, 3, 3, 6, 6]


@pytest.mark.parametrize(
    ("call", "text"),
    [
        ("clock(0)", "0:00"),
        ("clock(723.9)", "12:03"),
        ("clock(3723)", "1:02:03"),
        ("clock(null)", "–"),
        ("percent(0.474)", "47 %"),
        ("percent(null)", "–"),
        ("percent(0.0123, 1)", "1.2 %"),
        ("number(0.519, 2, '× BW')", "0.52 × BW"),
        ("number(0, 0, 'N')", "0 N"),
        ("number(-60, 0, 'dBm')", "−60 dBm"),
        ("number(null, 2, 'N')", "–"),
    ],
)
def test_numbers_have_units_and_absence_a_dash(page, call, text):
    joined = text.replace(" ", "\u00a0")  # no line ends between a number and its unit
    assert page.evaluate(f"import('./units.js').then(m => m.{call})") == joined


def lab(rgb: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return CIELAB of sRGB colours, shape (n, 3) (IEC 61966-2-1; CIE 15, D65)."""
    c = rgb / 255.0
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    to_xyz = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    xyz = linear @ np.array(to_xyz).T / [0.9505, 1.0, 1.089]
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack(
        [116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1
    )


@pytest.mark.parametrize("dark", [True, False])
def test_equal_steps_of_load_look_about_equal(page, dark):
    fills = page.evaluate(f"import('./scale.js').then(m => new m.Scale({str(dark).lower()}).fills)")
    seen = lab(np.array([[float(v) for v in fill[4:-1].split()] for fill in fills]))
    eighths = seen[:: len(seen) // 8]
    lightness = np.diff(eighths[:, 0]) * (1 if dark else -1)
    assert (lightness > 3).all(), "lightness alone tells more load from less"
    steps = np.linalg.norm(np.diff(eighths, axis=0), axis=1)
    assert steps.max() / steps.min() < 2.5, steps


def test_figures_are_readable_on_every_colour(page):
    pairs = page.evaluate(
        """import('./scale.js').then(m => [true, false].flatMap(dark => {
            const scale = new m.Scale(dark);
            return scale.fills.map((fill, i) => [fill, scale.writings[i]]);
        }))"""
    )
    for fill, writing in pairs:
        lightness = lab(np.array([[float(v) for v in fill[4:-1].split()]]))[0, 0]
        luminance = ((lightness + 16) / 116) ** 3 if lightness > 8 else lightness / 903.3
        other = 0.0 if writing == "#000000" else 1.0
        high, low = max(luminance, other), min(luminance, other)
        assert (high + 0.05) / (low + 0.05) >= 4.5, fill


def test_zones_are_drawn_where_the_layout_says_and_no_larger(page):
    layout = eighteen().to_json()
    cells, sole = page.evaluate(
        """layout => import('./sole.js').then(m => [
            m.cells(layout).map(c => ({id: c.zone.id, points: c.points, area: m.area(c.points)})),
            m.area(m.outline(layout)),
        ])""",
        layout,
    )
    assert [c["id"] for c in cells] == list(range(1, 19))
    covered = 0.0
    for cell, zone in zip(cells, layout["zones"], strict=True):
        place = (zone["x"] * layout["width_mm"], zone["y"] * layout["length_mm"])
        assert inside(place, cell["points"]), f"zone {zone['id']}"
        assert 0.3 * zone["area_mm2"] < cell["area"] < 1.001 * zone["area_mm2"]
        others = [c for c in cells if c["id"] != cell["id"]]
        assert not any(inside(place, c["points"]) for c in others)
        covered += cell["area"]
    assert covered < sole < layout["width_mm"] * layout["length_mm"]


def inside(place: tuple[float, float], points: list[list[float]]) -> bool:
    """Whether a place lies in a polygon (even-odd rule)."""
    x, y = place
    crossings = 0
    for (ax, ay), (bx, by) in pairwise([*points, points[0]]):
        if (ay > y) != (by > y) and x < ax + (y - ay) * (bx - ax) / (by - ay):
            crossings += 1
    return crossings % 2 == 1


def test_the_pushs_bar_goes_rear_on_the_way_front(page):
    """Its parts are those of the CoP's own travel: heel leave and fore take lie between them."""

    def parts(**push: float | None) -> list[Any]:
        full: dict[str, Any] = {
            "heel_leave_s": 2.0,
            "fore_take_s": 2.1,
            "end_s": 2.5,
            "path_t_s": [1.9, 2.6],
        }
        return page.evaluate(  # type: ignore[no-any-return]
            """p => import('./strip.js').then(m =>
                m.pushParts(p, 1.9).map(bar => [bar.text, bar.from, bar.to]))""",
            full | push,
        )

    assert parts() == [
        ["rear", 1.9, 2.0],
        ["on the way", 2.0, 2.1],
        ["front", 2.1, 2.5],
    ]
    assert parts(fore_take_s=None) == [["rear", 1.9, 2.0], ["on the way", 2.0, 2.5]]
    assert parts(end_s=None)[-1] == ["front", 2.1, 2.6]
    assert parts(heel_leave_s=None) == []


def test_the_limiter_is_the_gateways(page):
    curve = np.array(page.evaluate("import('./voices.js').then(m => [...m.limiterCurve()])"))
    at = np.linspace(-1, 1, len(curve))
    assert np.abs(curve).max() <= CEILING
    quiet = np.abs(at) <= KNEE
    assert np.allclose(curve[quiet], at[quiet], atol=1e-6)
    assert np.allclose(curve, soft_limit(at.astype(np.float32)), atol=1e-6)


def test_samples_are_read_low_byte_first(page):
    text = base64.b64encode(np.array([0, 1, -1, 32767, -32768], "<i2").tobytes()).decode()
    read = page.evaluate(f"import('./voices.js').then(m => [...m.samples('{text}')])")
    assert np.allclose(np.array(read) * 32768, [0, 1, -1, 32767, -32768])


def test_sounds_keep_their_distances_however_their_messages_come(page):
    """Two clocks that begin anywhere, delays of 5 to 40 ms: decided 0.1 s apart is heard so."""
    starts, late, before = page.evaluate(
        """async () => {
            const {Voices} = await import('./voices.js');
            const {Floor} = await import('./floor.js');
            const real = performance.now;
            const context = {currentTime: 0, state: "running"};
            const voices = Object.assign(Object.create(Voices.prototype), {
                context, toHere: new Floor(), toSound: new Floor(),
            });
            let t = 0;  // true time, s; the browser's clock begins at 7 s, session time at 100 s
            performance.now = () => 1000 * (7 + t);
            const advance = (to) => {
                t = to;
                context.currentTime = Math.floor(t / 0.01) * 0.01;  // moves in blocks of 10 ms
            };
            const before = voices.when(100);
            const starts = [];
            let sent = 0;
            for (let i = 0; i < 60; i++) {
                const delay = 0.005 + 0.035 * ((i * 7) % 10) / 9;
                sent += 0.1;
                advance(sent + delay);
                voices.heard(100 + sent);
                starts.push(voices.when(100 + sent));
            }
            advance(sent + 3);
            const late = voices.when(100 + sent) - context.currentTime;
            performance.now = real;
            return [starts, late, before];
        }"""
    )
    assert before == 0.0, "nothing known yet: at once"
    settled = np.array(starts[20:])
    lead = settled - 0.1 * np.arange(21, 61)
    assert np.ptp(lead) < 0.0105, "within one block of the sound's clock"
    assert lead.min() > 0.025 and lead.max() < 0.055
    assert late == 0.0, "what is too late sounds at once"


Calls = list[tuple[float, list[tuple[float, float, float]]]]


def tone(page: Page, calls: Calls, s: float) -> NDArray[np.float64]:
    """Render a tone: at each time (a multiple of a render quantum is taken) points are given."""
    rendered = page.evaluate(
        """async ([calls, seconds, rate]) => {
            const {Tone} = await import('./tone.js');
            const context = new OfflineAudioContext(1, seconds * rate, rate);
            const tone = new Tone(context, context.destination);
            for (const [at, points] of calls) {
                if (at === 0) tone.follow(points);
                else context.suspend(at).then(() => {
                    if (points.length) tone.follow(points);
                    else tone.hush();
                    context.resume();
                });
            }
            const heard = (await context.startRendering()).getChannelData(0);
            const bytes = new Uint8Array(heard.buffer);
            let text = "";
            for (let i = 0; i < bytes.length; i += 8192)
                text += String.fromCharCode(...bytes.subarray(i, i + 8192));
            return btoa(text);
        }""",
        [calls, s, RATE],
    )
    return np.frombuffer(base64.b64decode(rendered), "<f4").astype(np.float64)


def pitch(sound: NDArray[np.float64], at_s: float) -> float:
    """Return the pitch about a time from the upward zero crossings in 60 ms, Hz."""
    part = sound[round((at_s - 0.03) * RATE) : round((at_s + 0.03) * RATE)]
    up = np.flatnonzero((part[:-1] < 0) & (part[1:] >= 0))
    crossings = up - part[up] / (part[up + 1] - part[up])
    return float(RATE * (len(crossings) - 1) / (crossings[-1] - crossings[0]))


def level(sound: NDArray[np.float64], at_s: float) -> float:
    """Return the highest sample within 10 ms of a time."""
    return float(np.abs(sound[round((at_s - 0.01) * RATE) : round((at_s + 0.01) * RATE)]).max())


def test_the_tone_follows_its_points(page):
    points = [(0.1, 300.0, 1.0), (0.4, 300.0, 1.0), (0.6, 600.0, 0.5), (0.9, 600.0, 0.5)]
    sound = tone(page, [(0, points)], 1.5)
    assert pitch(sound, 0.25) == pytest.approx(300, rel=0.005)
    assert pitch(sound, 0.5) == pytest.approx(450, rel=0.02)
    assert pitch(sound, 0.8) == pytest.approx(600, rel=0.005)
    assert level(sound, 0.3) == pytest.approx(TONE_PEAK, rel=0.02)
    assert level(sound, 0.8) == pytest.approx(TONE_PEAK / 2, rel=0.02)


def test_a_tone_without_new_points_fades_and_comes_back_without_a_click(page):
    late = [(1.0, 400.0, 1.0), (1.05, 400.0, 1.0)]
    sound = tone(page, [(0, [(0.05, 400.0, 1.0)]), (1.0, late)], 1.6)
    assert level(sound, 0.05 + STALE_S - 0.02) == pytest.approx(TONE_PEAK, rel=0.02)
    assert level(sound, 0.05 + STALE_S + 0.1) < 1e-3, "then it is silent"
    assert level(sound, 1.1) == pytest.approx(TONE_PEAK, rel=0.02)
    assert steepest(sound) < 1.2 * steady(page, 400.0)


def test_late_points_never_jump(page):
    """Points that come after their time begin now, with a ramp of at least 3 ms."""
    calls: Calls = [(0, [(0.0, 200.0, 1.0)])]
    for i in range(1, 12):  # each batch is late, by more and more
        at = round(i * 0.1 * RATE / 128) * 128 / RATE
        calls.append((at, [(at - 0.01 * i, 200.0, 1.0 if i % 2 else 0.0)]))
    sound = tone(page, calls, 1.5)
    ramp = TONE_PEAK / (0.003 * RATE)  # the steepest envelope that 3 ms allow, per sample
    assert steepest(sound) < steady(page, 200.0) + ramp


def test_a_hushed_tone_is_silent_soon_and_does_not_click(page):
    at = round(0.3 * RATE / 128) * 128 / RATE
    sound = tone(page, [(0, [(0.05, 400.0, 1.0), (1.0, 400.0, 1.0)]), (at, [])], 1.2)
    assert level(sound, 0.25) == pytest.approx(TONE_PEAK, rel=0.02)
    assert level(sound, 0.4) < 1e-3
    assert steepest(sound) < 1.2 * steady(page, 400.0)


def test_silence_is_silent(page):
    sound = tone(page, [(0, [(0.1, 440.0, 0.0), (0.5, 880.0, 0.0)])], 0.8)
    assert np.abs(sound).max() < 1e-6


def test_the_tone_is_the_gateways_voice(page):
    """The same partials as the gateway's own tone, and nothing else."""
    sound = tone(page, [(0, [(0.02, 480.0, 1.0), (1.0, 480.0, 1.0)])], 1.0)
    power = np.abs(np.fft.rfft(sound[RATE // 5 : -RATE // 5] * np.hanning(RATE * 3 // 5)))
    peaks, _ = find_peaks(power, height=power.max() / 100, distance=20)
    period = np.abs(np.fft.rfft(voice_period()))
    assert peaks * RATE / (RATE * 3 // 5) == pytest.approx([480, 960, 1440], abs=3)
    assert power[peaks] / power[peaks[0]] == pytest.approx(period[1:4] / period[1], rel=0.05)


def steady(page: Page, hz: float) -> float:
    """Return the largest difference of neighbouring samples of a tone that does not change."""
    sound = tone(page, [(0, [(0.01, hz, 1.0), (0.3, hz, 1.0)])], 0.3)
    return steepest(sound[RATE // 10 :])


def steepest(sound: NDArray[np.float64]) -> float:
    """Return the largest difference of neighbouring samples: a click is one."""
    return float(np.abs(np.diff(sound)).max())

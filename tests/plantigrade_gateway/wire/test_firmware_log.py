"""The firmware's log, in C, against the gateway's codec and its virtual insole's log.

It runs under the sanitizers, over a flash chip in memory that refuses a second programming.
"""

from collections.abc import Callable

import numpy as np
import pytest
from tests.plantigrade_gateway.wire.test_log import BAD, GOOD
from tests.support.firmware import (
    BARE,
    CORTEX_M0,
    LIBRARY,
    LOG,
    ROOT,
    SANITIZED,
    STRICT,
    build,
    run,
    toolchain,
)

from plantigrade.block import Foot
from plantigrade_gateway.errors import WireError
from plantigrade_gateway.virtual.flash import Flash, FlashLog
from plantigrade_gateway.wire.log import (
    LONG_CLOCK,
    SECTOR_PAGES,
    LogEnd,
    LogPage,
    LogRequest,
    LogState,
    is_end,
    page_frames,
    read_end,
    read_page,
    read_state,
)
from plantigrade_gateway.wire.messages import AckStatus, SampleFormat

pytestmark = pytest.mark.dear

__all__ = ["toolchain"]

DRIVER = ROOT / "tests" / "support" / "firmware_log_driver.c"
PACKED12, U16 = SampleFormat.PACKED12, SampleFormat.U16
CLOCK = 1 << 32
EVER = LONG_CLOCK - 1

Driver = Callable[[list[str]], list[str]]


@pytest.fixture(scope="module")
def driver(toolchain, tmp_path_factory) -> Driver:
    folder = tmp_path_factory.mktemp("log")
    program = build(folder, "log", *SANITIZED, DRIVER, sources=[*LIBRARY, *LOG])

    def ask(script: list[str]) -> list[str]:
        lines = run(program, text="\n".join([*script, ""])).splitlines()
        assert len(lines) == len(script)
        return [line.strip() for line in lines]

    return ask


def chip(
    pages: int,
    zones: int = 18,
    sample_format: SampleFormat = PACKED12,
    slow: int = 3,
    clock_us: int = 0,
) -> str:
    return f"chip {pages} {slow} 0 {int(sample_format)} {zones} {clock_us}"


def frame(clock_us: int, counts: list[int], period_us: int = 10_000) -> str:
    return f"frame {clock_us % CLOCK} {period_us} {' '.join(map(str, counts))}"


def request(boot: int, start: int = 0, stop: int = EVER, pages: int = 0) -> str:
    return f"ask 1 {LogRequest(9, boot, start, stop, pages).encode().hex()}"


def answer(line: str) -> tuple[list[LogPage], LogEnd]:
    """The pages, which pass every check, and the end."""
    messages = [bytes.fromhex(word) for word in line.split()]
    assert is_end(messages[-1]) and not any(map(is_end, messages[:-1]))
    return [read_page(data) for data in messages[:-1]], read_end(messages[-1])


# ---- single values


def test_the_crc_has_its_published_check_value(driver):
    """CRC-32/ISO-HDLC of "123456789" in the catalogue of parametrised CRC algorithms."""
    assert driver(["crc"]) == [str(0xCBF43926)]


@pytest.mark.slow
def test_it_leaves_the_flash_and_no_other_symbol(toolchain, tmp_path):
    out = tmp_path / "log.o"
    expected = {f"port_flash_{name}" for name in ("read", "program", "erase", "is_erased")}
    for level in ("-O0", "-Os", "-O3"):
        run("gcc", *STRICT, *BARE, level, *LIBRARY, *LOG, "-o", out)
        assert set(run("nm", "-u", out).split()) - {"U"} == expected
        run("arm-none-eabi-gcc", *STRICT, *BARE, *CORTEX_M0, level, *LIBRARY, *LOG, "-o", out)
        assert set(run("arm-none-eabi-nm", "-u", out).split()) - {"U"} == expected


def test_known_pages_are_read_and_wrong_ones_refused(driver):
    good = [b for b in GOOD if b["kind"] == "log_page"]
    bad = [b for b in BAD if b["kind"] == "log_page"]
    assert len(good) >= 3 and len(bad) >= 15
    checked = [f"check {bytes.fromhex(b['hex']).hex()}" for b in [*good, *bad]]
    said = driver([chip(64), *checked])[1:]
    for block, line in zip(good, said, strict=False):
        flags = sum(int(block[n]) << k for k, n in enumerate(("first", "dropped", "last")))
        names = ("frames", "boot", "period_us", "page", "clock")
        assert line.split() == [str(flags), *(block[name] for name in names)]
    assert set(said[len(good) :]) == {"refused"}


def test_a_known_page_is_written(driver):
    """The first of the vectors, made from its own fields by a chip that is new."""
    (block,) = [b for b in GOOD if b["name"] == "page_full_packed12"]
    rows = [list(map(int, row.split())) for row in block["counts"].split("/")]
    script = [chip(64), "start", *(frame(10_000 * k, row) for k, row in enumerate(rows))]
    (page, _) = driver([*script, request(1)])[-1].split()
    assert page == bytes.fromhex(block["hex"]).hex()


@pytest.mark.parametrize(
    ("data", "fits", "status"),
    [
        (bytes([1, 0x39, 7, 0]), 1, AckStatus.UNKNOWN_REQUEST),
        (LogRequest(7, 1, 0, 1).encode()[:-1], 1, AckStatus.VALUE_NOT_POSSIBLE),
        (LogRequest(7, 1, 0, 1).encode() + b"\0", 1, AckStatus.VALUE_NOT_POSSIBLE),
        (
            b"\x01\x38\x07\x01" + LogRequest(7, 1, 0, 1).encode()[4:],
            1,
            AckStatus.VALUE_NOT_POSSIBLE,
        ),
        (LogRequest(7, 1, 0, 1).encode(), 0, AckStatus.NOT_NOW),
        (LogRequest(7, 1, 5, 5).encode(), 1, AckStatus.DONE),
    ],
)
def test_a_request_that_brings_nothing_is_ended_at_once(driver, data, fits, status):
    """Wire format §8: statuses 1, 2 and 3."""
    said = driver([chip(64), f"ask {fits} {data.hex()}"])[-1]
    assert bytes.fromhex(said) == LogEnd(7, status, 0, 0).encode()


@pytest.mark.parametrize("data", ["", "01", "0138", "02380700", "00" * 245, "01" * 245])
def test_what_has_no_token_is_not_answered(driver, data):
    assert driver([chip(64), f"ask 1 {data}"])[-1] == ""


# ---- against the virtual insole's log


class Both:
    """The C and the model of it, given the same frames on an even grid."""

    def __init__(
        self,
        pages: int,
        zones: int = 18,
        sample_format: SampleFormat = PACKED12,
        clock_us: int = 0,
    ) -> None:
        self.model = FlashLog(Flash(pages), Foot.LEFT, sample_format)
        self.script = [chip(pages, zones, sample_format, 3, clock_us)]
        self.checks: list[tuple[int, list[bytes], int, LogState]] = []
        self.now_us = clock_us
        self.period_us = 10_000
        self._zones = zones
        self._top = 4096 if sample_format is PACKED12 else 65_536

    def start(self) -> None:
        self.script.append("start")

    def frames(self, rng: np.random.Generator, count: int) -> None:
        counts = rng.integers(0, self._top, (count, self._zones)).astype(np.uint16)
        self.model.take(self.now_us, self.period_us, counts)
        for row in counts.tolist():
            self.script.append(frame(self.now_us, row, self.period_us))
            self.now_us += self.period_us

    def stop(self, rng: np.random.Generator) -> None:
        if not self.model.is_filling:
            self.script.append("stop")
            self.frames(rng, 1)
            self.model.stop()
        else:
            self.script.append("stop")
            self.model.stop()

    def reset(self) -> None:
        self.script.append("reset")
        self.model.cut_power()
        self.now_us = 0

    def check(
        self, start: int = 0, stop: int = EVER, boot: int | None = None, most: int = 0
    ) -> None:
        boot = self.model.boot if boot is None else boot
        given = list(self.model.pages(LogRequest(9, boot, start, stop, most)))
        pages = [data for data in given if data is not None]
        self.script += [f"state {self.now_us % CLOCK}", request(boot, start, stop, most)]
        state = self.model.state(self.now_us)
        self.checks.append((len(self.script) - 2, pages, given.count(None), state))

    def hold(self, driver: Driver, *, whole: bool) -> None:
        """Alike; where the ring went round the C erases its sector ahead, and not when it must."""
        said = driver(self.script)
        for at, pages, torn, state in self.checks:
            mine = read_state(bytes.fromhex(said[at]))
            assert (mine.logging, mine.boot, mine.next, mine.clock_us, mine.pages) == (
                *(state.logging, state.boot, state.next, state.clock_us, state.pages),
            )
            assert state.oldest <= mine.oldest <= state.oldest + (0 if whole else SECTOR_PAGES)
            *got, end = [bytes.fromhex(word) for word in said[at + 1].split()]
            if not whole:
                pages = [p for p in pages if read_page(p).page >= mine.oldest][-len(got) or None :]
            assert got == pages
            assert read_end(end).sent == len(got)
            if whole:
                assert read_end(end).torn == torn


@pytest.mark.parametrize("seed", range(8))
def test_random_lives_are_kept_as_the_virtual_insole_keeps_them(driver, seed):
    """Rates, gaps, stops, resets and requests; no page is more than the ring holds."""
    rng = np.random.default_rng([88, seed])
    sample_format = (PACKED12, U16)[seed % 2]
    zones = int(rng.choice([1, 3, 16, 18, 54]))  # two frames a page at least
    both = Both(1024, zones, sample_format, int(rng.choice([0, CLOCK - 500_000])))
    both.start()
    for _ in range(60):
        odd = rng.integers(10)
        if odd == 0:
            both.period_us = int(rng.choice([1000, 2500, 10_000, 65_535]))
        elif odd == 1:
            both.now_us += both.period_us * int(rng.integers(1, 5000))
        elif odd == 2 and both.model.logging:
            both.stop(rng)
            both.check()
            both.start()
            both.now_us += both.period_us
        elif odd == 3 and both.model.logging:
            both.reset()
            both.start()
        elif odd == 4:
            start = int(rng.integers(0, both.now_us + 1))
            stop = start + int(rng.integers(0, 10_000_000))
            both.check(start, stop, int(rng.integers(1, both.model.boot + 1)), int(rng.integers(3)))
        both.frames(rng, int(rng.integers(1, 20)))
    both.check()
    both.hold(driver, whole=True)


def test_the_ring_goes_round_and_round(driver):
    """Five turns of 64 pages; all but two sectors are sure, and each is erased once a turn."""
    rng = np.random.default_rng(7)
    both = Both(64)
    both.start()
    for _ in range(40):
        both.frames(rng, 64)
        both.check()
    both.script.append("erases")
    both.hold(driver, whole=False)
    said = driver(both.script)
    kept = [answer(said[at + 1])[0] for at, *_ in both.checks[10:]]
    assert all(len(pages) >= 64 - 2 * SECTOR_PAGES for pages in kept)
    assert int(said[-1]) == pytest.approx(40 * 8 / SECTOR_PAGES, abs=1)


def test_frames_that_come_while_the_flash_is_slow_are_lost_and_said(driver):
    """An erase of 500 turns at the beginning: two pages wait, what comes then is a gap."""
    script = [
        chip(64, slow=500),
        "start",
        *(frame(10_000 * k, [k % 4096] * 18) for k in range(300)),
    ]
    pages, _ = answer(driver([*script, request(1)])[-1])
    dropped = [k for k, page in enumerate(pages) if page.dropped]
    assert dropped
    for k in range(1, len(pages)):
        gap_us = pages[k].clock_us - pages[k - 1].end_us
        assert (gap_us > 0) is pages[k].dropped
        assert pages[k].sample == pages[k].clock_us // 10_000


def test_jitter_stays_in_the_page_and_a_missed_tick_does_not(driver):
    """Within half a period a frame belongs to the page; wire format §3 says the same of packets."""
    clocks = [0, 10_300, 19_800, 30_000, 50_000, 60_000]
    script = [chip(64), "start", *(frame(c, [k] * 18) for k, c in enumerate(clocks)), "stop"]
    pages, _ = answer(driver([*script, request(1)])[-1])
    assert [(p.clock_us, len(p), p.dropped, p.last) for p in pages] == [
        (0, 4, False, False),
        (50_000, 2, True, True),
    ]
    assert [p.sample for p in pages] == [0, 5]


def test_without_a_link_it_ends_when_the_ring_has_gone_round_once(driver):
    """And with a link it does not; its last page says `last`, so a reset does not go on."""
    frames = [frame(10_000 * k, [1] * 18) for k in range(8 * 64 * 2)]
    half = 100
    script = [chip(64), "start", *frames[:half], "link_lost", *frames[half:], "state 0", "reset"]
    *_, said, resumed = driver(script)
    state = read_state(bytes.fromhex(said))
    assert not state.logging
    assert state.next == pytest.approx(half // 8 + 64 - 32, abs=1)
    assert state.oldest <= half // 8  # what was being filled when the link was lost
    assert resumed == "0"
    *_, said, resumed = driver([chip(64), "start", *frames, "state 0", "reset"])
    assert read_state(bytes.fromhex(said)).logging
    assert resumed == "10000"


# ---- power cuts


@pytest.mark.parametrize("seed", range(8))
def test_a_power_cut_costs_the_page_under_way_and_nothing_else(driver, seed):
    """Cuts between pages, within a page, within an erase; in a small chip and in a large one.

    What is missing of a boot is its end, two pages at most: one in the flash, one being filled; and
    what was overwritten, which lies before all that is kept.
    """
    rng = np.random.default_rng([89, seed])
    size = (128, 2048)[seed % 2]
    script = [chip(size), "start"]
    for number in range(5000):
        script.append(frame(10_000 * number, [number % 4096] * 18))
        if number % 300 == 299:
            kind = rng.integers(3)
            cuts = ("reset", f"tear {int(rng.integers(0, 244))}", "tear_erase")
            script.append(cuts[kind])
    said = driver(script)
    truth: list[list[tuple[int, int]]] = [[]]
    for line, answered in zip(script, said, strict=True):
        words = line.split()
        if words[0] == "frame":
            truth[-1].append((int(words[1]), int(words[3])))
        if answered == "cut" or words[0] == "reset":
            truth.append([])
    assert len(truth) > 10
    boots = range(1, len(truth) + 1)
    lines = driver([*script, *(request(boot) for boot in boots)])[len(script) :]
    pages = [answer(line)[0] for line in lines]
    numbers = [page.page for its in pages for page in its]
    assert numbers == sorted(set(numbers))
    assert len(numbers) >= min(size - 2 * SECTOR_PAGES, 5000 // 8 - 2 * len(truth))
    kept_any = False
    for boot, (its, true) in enumerate(zip(pages, truth, strict=True), 1):
        assert all(page.boot == boot for page in its)
        got = [
            (page.clock_us + k * page.period_us, row[0])
            for page in its
            for k, row in enumerate(page.counts.tolist())
        ]
        begin = true.index(got[0]) if got else len(true)
        assert got == true[begin : begin + len(got)]
        assert begin == 0 or not kept_any
        assert not got or len(true) - begin - len(got) <= 16
        kept_any |= bool(got)
    assert kept_any


def test_noise_in_the_flash_is_never_a_page(driver):
    """A chip full of any bytes, and of pages with a bit turned: nothing is read but true pages."""
    rng = np.random.default_rng(90)
    script = [chip(64), "start", *(frame(10_000 * k, [k % 4096] * 18) for k in range(320))]
    script.append(request(1))
    pages = [bytes.fromhex(w) for w in driver(script)[-1].split()[:-1]]
    true = set(pages)
    tried = [chip(64)]
    for slot in range(64):
        data = (
            bytearray(pages[slot % len(pages)]) if rng.random() < 0.7 else bytearray(rng.bytes(256))
        )
        if rng.random() < 0.8:
            data[rng.integers(len(data))] ^= 1 << int(rng.integers(8))
        tried.append(f"noise {slot} {data.hex()}")
    tried += ["reset", *(request(boot) for boot in (1, 2)), "state 5"]
    *_, one, two, state = driver(tried)
    for line in (one, two):
        assert {bytes.fromhex(word) for word in line.split()[:-1]} <= true
    assert read_state(bytes.fromhex(state)).boot >= 1


def test_any_bytes_are_read_as_the_gateway_reads_them(driver):
    """Pages with bytes changed, cut or grown: taken by both, or refused by both."""
    rng = np.random.default_rng(91)
    tried = []
    for _ in range(4000):
        zones, sample_format = int(rng.integers(1, 20)), SampleFormat(int(rng.integers(2)))
        frames = int(rng.integers(1, page_frames(zones, sample_format) + 1))
        page = LogPage(
            *(list(Foot)[rng.integers(2)], sample_format, bool(rng.integers(2)), False, False),
            *(int(rng.integers(CLOCK)), int(rng.integers(1, 65_536)), int(rng.integers(1 << 47))),
            *(int(rng.integers(CLOCK)), int(rng.integers(1000, 65_536))),
            counts=rng.integers(0, 4096, (frames, zones)).astype(np.uint16),
        )
        data = bytearray(page.encode())
        kind = rng.integers(5)
        if kind == 1:
            data[rng.integers(len(data))] = rng.integers(256)
        elif kind == 2:
            data = data[: rng.integers(len(data))]
        elif kind == 3:
            data += rng.bytes(int(rng.integers(1, 9)))
        tried.append(bytes(data))
    said = driver([chip(64), *(f"check {data.hex()}" for data in tried)])[1:]
    taken = 0
    for changed, line in zip(tried, said, strict=True):
        try:
            page = read_page(changed)
        except WireError:
            assert line == "refused"
            continue
        taken += 1
        assert line.split()[4:] == [str(page.page), str(page.clock_us)]
    assert 1000 < taken < 3500

"""The file is read back by the standard library: cues at their times, valid at every moment."""

import os
import signal
import subprocess
import sys
import wave
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import periodogram
from tests.support.waiting import HANG_S

from plantigrade_gateway.errors import SoundError
from plantigrade_gateway.sound.cues import Cue, CueKind
from plantigrade_gateway.sound.motifs import CEILING, SAMPLE_RATE_HZ, Motif, motif
from plantigrade_gateway.sound.pitch import RAMP_S, TonePoint
from plantigrade_gateway.sound.wav import WavFile, wav_bytes

ROLLED, TICK = motif(Motif.ROLLED), motif(Motif.HEEL_LIFTED)


def cue(decided_s: float, samples: NDArray[np.float32] = ROLLED, delay_s: float = 0.0) -> Cue:
    return Cue(CueKind.ROLLED, decided_s - 0.05, decided_s, delay_s, samples)


def read(path: Path) -> NDArray[np.int16]:
    with wave.open(str(path), "rb") as file:
        assert file.getparams()[:3] == (1, 2, SAMPLE_RATE_HZ)
        samples = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2")
        assert len(samples) == file.getnframes()
    assert path.stat().st_size == 44 + 2 * len(samples)
    return samples


def pcm(samples: NDArray[np.float32]) -> NDArray[np.int16]:
    return np.asarray(np.rint(samples * np.float32(32767.0)), dtype=np.int16)


def test_cues_stand_at_their_session_times(tmp_path):
    with WavFile(tmp_path / "a.wav", start_s=100.0) as file:
        file.play(cue(100.5))
        file.play(cue(102.0, TICK, delay_s=0.25))
    got = read(tmp_path / "a.wav")
    expected = np.zeros(round(2.25 * SAMPLE_RATE_HZ) + len(TICK), dtype=np.int16)
    expected[24_000 : 24_000 + len(ROLLED)] = pcm(ROLLED)
    expected[108_000:] = pcm(TICK)
    assert np.array_equal(got, expected)


def test_the_file_is_what_the_standard_library_writes(tmp_path):
    """Of one sound, and one of 4097 samples: a block and a sample more."""
    for samples in (TICK, np.full(4097, 0.25, dtype=np.float32)):
        with wave.open(str(tmp_path / "plain.wav"), "wb") as plain:
            plain.setparams((1, 2, SAMPLE_RATE_HZ, 0, "NONE", ""))
            plain.writeframes(pcm(samples).tobytes())
        with WavFile(tmp_path / "a.wav") as file:
            file.play(cue(0.0, samples))
        whole = (tmp_path / "plain.wav").read_bytes()
        assert (tmp_path / "a.wav").read_bytes() == whole
        assert wav_bytes(samples) == whole


def test_overlapping_cues_are_mixed_and_limited(tmp_path):
    with WavFile(tmp_path / "a.wav") as file:
        for _ in range(5):
            file.play(cue(0.25))
        file.play(cue(0.30, TICK))
    got = read(tmp_path / "a.wav")
    assert len(got) == 12_000 + len(ROLLED)
    assert 0.2 * 32767 < np.abs(got).max() <= CEILING * 32768


def test_a_cue_from_the_past_is_not_lost(tmp_path):
    """What is written stays; a cue decided before that comes next."""
    with WavFile(tmp_path / "a.wav", start_s=10.0) as file:
        file.play(cue(9.0, TICK))  # before the file begins
        file.play(cue(11.0, TICK))
        file.play(cue(10.5, TICK))
    got = read(tmp_path / "a.wav")
    assert np.array_equal(got[: len(TICK)], pcm(TICK))
    assert np.abs(got[SAMPLE_RATE_HZ:]).max() > 1.5 * np.abs(pcm(TICK)).max()


def test_a_file_of_no_cue_is_valid(tmp_path):
    file = WavFile(tmp_path / "a.wav")
    assert len(read(tmp_path / "a.wav")) == 0
    file.close()
    file.close()
    assert len(read(tmp_path / "a.wav")) == 0


def test_the_file_is_valid_after_every_cue(tmp_path):
    with WavFile(tmp_path / "a.wav") as file:
        for k in range(4):
            file.play(cue(0.5 + 1.0 * k))
            heard = np.count_nonzero(np.diff(np.flatnonzero(read(tmp_path / "a.wav"))) > 4000)
            assert heard == max(k - 1, 0)  # gaps between the cues before this one
            file.play(cue(0.5 + 1.0 * k, TICK))
            assert len(read(tmp_path / "a.wav")) >= (0.5 + 1.0 * k) * SAMPLE_RATE_HZ


def test_hours_of_silence_take_no_room(tmp_path):
    path = tmp_path / "a.wav"
    with WavFile(path) as file:
        file.play(cue(1.0))
        file.play(cue(3.0 * 3600.0))
    assert path.stat().st_size > 1_000_000_000
    if path.stat().st_blocks * 512 > 100_000_000:
        pytest.skip("this file system keeps no holes")
    with wave.open(str(path), "rb") as wav:
        wav.setpos(round(3.0 * 3600.0 * SAMPLE_RATE_HZ))
        last = np.frombuffer(wav.readframes(wav.getnframes()), dtype="<i2")
    assert np.array_equal(last, pcm(ROLLED))


def test_what_a_wav_file_cannot_hold_is_counted(tmp_path):
    with WavFile(tmp_path / "a.wav") as file:
        file.play(cue(1.0))
        file.play(cue(13.0 * 3600.0))
        file.play(cue(2.0))
        assert file.dropped == 1
    assert len(read(tmp_path / "a.wav")) == 2 * SAMPLE_RATE_HZ + len(ROLLED)


def test_the_last_cue_may_end_where_a_wav_file_does(tmp_path):
    """Its sizes have 32 bits: of the data, and of that and 36 bytes of the header (RIFF)."""
    most = (2**32 - 1 - 36) // 2
    assert most == 2_147_483_629
    with WavFile(tmp_path / "a.wav") as file:
        file.play(cue((most - len(TICK) + 1) / SAMPLE_RATE_HZ, TICK))
        assert file.dropped == 1
        file.play(cue((most - len(TICK) - 48) / SAMPLE_RATE_HZ, TICK, delay_s=0.001))
        assert file.dropped == 1
    assert (tmp_path / "a.wav").stat().st_size == 44 + 2 * most
    with (tmp_path / "a.wav").open("rb") as written:
        head = written.read(44)
    assert int.from_bytes(head[4:8], "little") == 36 + 2 * most
    assert int.from_bytes(head[40:44], "little") == 2 * most


CHILD = """
import signal, sys, time
from pathlib import Path
from plantigrade_gateway.sound.cues import Cue, CueKind
from plantigrade_gateway.sound.motifs import Motif, motif
from plantigrade_gateway.sound.wav import WavFile, wav_bytes

signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's "&" has it ignored
with WavFile(Path(sys.argv[1])) as file:
    for k in (1, 2, 3):
        file.play(Cue(CueKind.ROLLED, k, k, 0.0, motif(Motif.ROLLED)))
    print("played", flush=True)
    for _ in range(2400):  # one long wait would sleep through an interrupt right before it
        time.sleep(0.05)
"""


@pytest.mark.dear
@pytest.mark.parametrize(("how", "heard"), [("kill", 2), ("interrupt", 3)])
def test_the_end_of_the_program_leaves_a_valid_file(tmp_path, how, heard):
    """A kill may cost the last cue, Ctrl-C costs nothing."""
    path = tmp_path / "a.wav"
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, path],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "played\n"
        if how == "kill":
            child.kill()
        else:
            child.send_signal(signal.SIGINT)
        child.wait(timeout=HANG_S)
    got = read(path)
    starts = [k for k in (1, 2, 3) if np.any(got[k * SAMPLE_RATE_HZ :][: len(ROLLED)])]
    assert starts == [1, 2, 3][:heard]


def test_a_file_that_cannot_be_made_is_one_sentence(tmp_path):
    with pytest.raises(SoundError, match=r"no/a\.wav: cannot be written: No such file"):
        WavFile(tmp_path / "no" / "a.wav")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this platform")
@pytest.mark.parametrize("data", [b"SQLite format 3\0" + bytes(4080), b"R", b"notes"])
def test_nothing_but_a_sound_is_written_over(tmp_path, data):
    """The store's own name is as quickly typed as any."""
    path = tmp_path / "store.sqlite3"
    path.write_bytes(data)
    with pytest.raises(SoundError, match="is there already and is no WAV file"):
        WavFile(path)
    assert path.read_bytes() == data
    path.write_bytes(b"")
    for _ in range(2):  # an empty file, and a sound of before
        with WavFile(path) as file:
            file.play(cue(0.25))
    assert len(read(path)) == 12_000 + len(ROLLED)


def test_a_pipe_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "a.wav")
    with pytest.raises(SoundError, match="is a pipe, expected a file"):
        WavFile(tmp_path / "a.wav")


def test_a_full_disk_from_the_start_is_one_sentence():
    with pytest.raises(SoundError, match="/dev/full: cannot be written: No space left"):
        WavFile(Path("/dev/full"))


def test_a_disk_that_fills_up_is_said_once(tmp_path, monkeypatch):
    said: list[str] = []
    with WavFile(tmp_path / "a.wav", on_lost=said.append) as file:
        file.play(cue(0.5))
        file.play(cue(2.0))
        whole = file._write

        def full(at: int, data: bytes) -> None:
            if at > 44 + 2 * 2.2 * SAMPLE_RATE_HZ:
                raise OSError(28, "No space left on device")
            whole(at, data)

        monkeypatch.setattr(file, "_write", full)
        file.play(cue(4.0))
        file.play(cue(6.0))
        assert file.lost
    assert said == [f"{tmp_path}/a.wav: the sound cannot be written: No space left on device."]
    with wave.open(str(tmp_path / "a.wav"), "rb") as wav:  # what was there before is
        got = np.frombuffer(wav.readframes(wav.getnframes()), dtype="<i2")
    assert np.array_equal(got[24_000 : 24_000 + len(ROLLED)], pcm(ROLLED))


def test_a_tone_stands_at_its_session_times_beside_the_cues(tmp_path):
    points = [TonePoint(101.0 + k / 100, 330.0, 1.0) for k in range(50)]
    points.append(TonePoint(101.5, 330.0, 0.0))
    with WavFile(tmp_path / "a.wav", start_s=100.0) as file:
        file.follow(points[:30])
        file.play(cue(101.3, TICK))
        file.follow(points[30:])
        file.play(cue(103.0, TICK))
    got = read(tmp_path / "a.wav").astype(float)
    assert np.flatnonzero(got)[0] == pytest.approx(48_000, abs=48)
    last = np.flatnonzero(got[: 2 * 48_000])[-1] / SAMPLE_RATE_HZ
    assert last == pytest.approx(1.5 + RAMP_S, abs=0.001)
    piece = got[round(1.05 * SAMPLE_RATE_HZ) : round(1.25 * SAMPLE_RATE_HZ)]
    hz, power = periodogram(piece, SAMPLE_RATE_HZ, window="hann", nfft=1 << 16)
    assert hz[np.argmax(power)] == pytest.approx(330.0, abs=1.0)
    assert np.array_equal(got[3 * SAMPLE_RATE_HZ :], pcm(TICK))
    both = np.abs(got[round(1.3 * SAMPLE_RATE_HZ) : round(1.35 * SAMPLE_RATE_HZ)]).max()
    assert both > 1.3 * np.abs(piece).max()


def test_an_announcement_waits_for_the_cue_before_it(tmp_path):
    words = np.full(4800, 0.05, dtype=np.float32)
    with WavFile(tmp_path / "a.wav") as file:
        file.play(cue(0.5))
        file.play(Cue(CueKind.SPOKEN, 0.6, 0.6, 0.0, words))
    got = read(tmp_path / "a.wav")
    end = 24_000 + len(ROLLED)
    assert np.array_equal(got[24_000:end], pcm(ROLLED))
    assert len(got) - end == pytest.approx(4800, abs=4096)  # from the next block on
    assert np.all(got[-4800:] == pcm(words))


def test_a_second_session_stands_behind_the_first(tmp_path):
    with WavFile(tmp_path / "a.wav") as file:
        file.begin()
        file.play(cue(1.0))
        file.begin()
        for k in range(20):
            file.play(cue(0.5 + 0.5 * k, TICK))
        assert file.dropped == 0
    got = read(tmp_path / "a.wav")
    first = SAMPLE_RATE_HZ + len(ROLLED)
    assert np.array_equal(got[SAMPLE_RATE_HZ:first], pcm(ROLLED))
    for k in range(20):
        at = first + 24_000 * (k + 1)
        assert np.array_equal(got[at : at + len(TICK)], pcm(TICK))
    assert len(got) == first + 24_000 * 20 + len(TICK)

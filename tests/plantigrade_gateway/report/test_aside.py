"""What records prints to a terminal that is stopped, a full disk or nobody: it goes on."""

import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

import pytest

from plantigrade_gateway.report import aside
from plantigrade_gateway.report.aside import Aside, console_aside


@contextmanager
def pipe() -> Iterator[tuple[int, TextIO]]:
    """Give both ends of a pipe; the reading one may be closed before."""
    reading, writing = os.pipe()
    with open(writing, "w", encoding="utf-8", buffering=1) as file:
        yield reading, file


def read_all(reading: int) -> str:
    with open(reading, encoding="utf-8") as file:
        return file.read()


def test_all_of_it_is_written_in_order():
    with pipe() as (reading, file):
        out = Aside(file)
        for k in range(1000):
            out.write(f"line {k} é\n")
        out.close()
        assert not out.isatty() and out.fileno() == file.fileno()
        file.close()
        assert read_all(reading).splitlines() == [f"line {k} é" for k in range(1000)]


def test_nobody_waits_for_a_reader_that_stopped_and_what_found_no_room_is_said(monkeypatch):
    monkeypatch.setattr(aside, "MOST_HELD", 200_000)
    with pipe() as (reading, file):
        out = Aside(file)
        for _ in range(1000):  # a pipe holds 64 KiB: without a thread of its own this never ends
            out.write("x" * 999 + "\n")
        text = []
        reader = threading.Thread(target=lambda: text.append(read_all(reading)))
        reader.start()
        out.close()
        file.close()
        reader.join()
    whole = text[0].splitlines()
    assert 200 <= whole.count("x" * 999) < 1000
    assert whole[-1] == "… What was said meanwhile is left out."
    assert len(whole) == whole.count("x" * 999) + 1


def test_at_the_end_a_reader_that_takes_nothing_is_given_up(monkeypatch):
    monkeypatch.setattr(aside, "GIVE_UP_S", 0.05)
    with pipe() as (reading, file):
        out = Aside(file)
        out.write("x" * 500_000)
        began = time.monotonic()
        out.close()
        assert time.monotonic() - began >= 0.05
        os.close(reading)  # so that the thread ends


def test_a_reader_that_is_gone_and_a_full_disk_end_nothing():
    with pipe() as (reading, file):
        os.close(reading)
        out = Aside(file)
        for _ in range(100):
            out.write("x\n")
        out.close()
        out.write("still\n")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this platform")
def test_a_console_on_a_full_disk(monkeypatch):
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        monkeypatch.setattr("sys.stdout", full)
        with console_aside() as out:
            for _ in range(100):
                out.print("said")


def test_where_standard_output_is_no_file_it_is_the_usual_console(capsys):
    with console_aside() as out:
        out.print("said")
    assert capsys.readouterr().out == "said\n"

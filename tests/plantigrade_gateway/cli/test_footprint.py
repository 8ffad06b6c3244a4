"""The commands `footprint …`, from the page to the sheet. All people in here are invented."""

import errno
import json
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner, Result
from tests.support.camera import Camera, drawn, page_picture, photograph

from plantigrade.footprint import Marks, PrintIndex, Thirds
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.prints import apart, reading, target

Run = Callable[..., Result]
A4 = (210.0, 297.0)


@pytest.fixture
def run(tmp_path: Path) -> Run:
    def made(*arguments: str | Path) -> Result:
        return CliRunner().invoke(
            main, ["--store", str(tmp_path / "s.sqlite3"), *map(str, arguments)]
        )

    return made


@pytest.mark.slow
def test_a_page_is_made_photographed_read_kept_listed_and_taken_away(run, tmp_path):
    page = tmp_path / "page.pdf"
    assert run("footprint", "target", page).exit_code == 0
    assert "is there already" in run("footprint", "target", page).stderr
    photo, flat = tmp_path / "p.jpg", tmp_path / "flat.jpg"
    picture = page_picture(page.read_bytes())
    print_ = drawn((60, 30, 90), A4, turned_deg=4.0)
    photo.write_bytes(photograph(picture, print_, Camera(20.0, 50.0, 170.0, 800.0), A4))
    assert run("players", "add", "Ann", "--handed", "right").exit_code == 0
    read = ("footprint", "read", "Ann", "left", photo, "--how", "walking")

    shown = run(*read, "--flat", flat)
    assert shown.exit_code == 0, shown.output
    assert "are guessed" in shown.stdout and flat.read_bytes().startswith(b"\xff\xd8\xff")
    assert b"Exif" not in flat.read_bytes()
    assert json.loads(run("footprint", "list", "Ann", "--json").stdout)["prints"] == []

    assert "consent" in run(*read, "--keep", "--keep-photo").stderr
    assert run("players", "consent", "Ann", "record", "--by", "player").exit_code == 0
    x, y = print_.place(0, 30)
    toe, line = print_.place(0, 245), (*print_.place(-60, 213), *print_.place(60, 213))
    left, top = 35.0, 5.0  # where the place for the print begins on the page
    marks = ["--heel", x - left, y - top, "--toe", toe[0] - left, toe[1] - top, "--line"]
    marks += [line[0] - left, line[1] - top, line[2] - left, line[3] - top]
    kept = run(*read, "--keep", "--keep-photo", *map(str, marks))
    assert kept.exit_code == 0, kept.output
    (one,) = json.loads(run("footprint", "list", "Ann", "--json").stdout)["prints"]
    assert one["footprint"]["index"] == pytest.approx(1 / 6, abs=0.01)
    assert one["has_picture"]
    assert "high, n = 1" in run("footprint", "list", "Ann").stdout

    assert run("footprint", "remove", "Ann", one["print_id"][:8]).exit_code == 0
    assert json.loads(run("footprint", "list", "Ann", "--json").stdout)["prints"] == []


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (("--sheet", "a4"), "--mirrored"),
        (("--keep-photo",), "--keep"),
        (("--heel", "1", "2"), "all three"),
        ((), "expected a JPEG or PNG"),
    ],
)
def test_what_cannot_be_read_is_one_sentence(run, tmp_path, given, says):
    photo = tmp_path / "p.jpg"
    photo.write_bytes(b"no picture")
    result = run("footprint", "read", "Ann", "left", photo, "--how", "walking", *given)
    assert result.exit_code == 2
    (line,) = result.stderr.splitlines()
    assert says in line


# ---- what is asked of the reader and said of what it found; the reader is a fake

GUESSED = Marks((70.0, 250.0), (70.0, 20.0), ((0.0, 60.0), (140.0, 60.0)))
MARKS = Marks((70.0, 250.0), (71.0, 20.0), ((0.0, 60.0), (140.0, 61.0)))
THIRDS = Thirds((4000.0, 2000.0, 6000.0), 210.0)
"""An index of 2000 / 12000 = 0.167 (Cavanagh & Rodgers 1987: area of the middle third over all)."""


class Reader:
    """What was asked for, photo by photo."""

    def __init__(self) -> None:
        self.flats: list[dict[str, Any]] = []
        self.reads: list[tuple[float, Marks | None]] = []

    def flat_of(self, photo: bytes, **asked: Any) -> Any:
        self.flats.append({"photo": photo, **asked})
        return SimpleNamespace(jpeg=b"\xff\xd8\xff flat", mirrored=asked["mirrored"], sheet="A4")

    def read_print(self, seen: Any, level: float, marks: Marks | None) -> Any:
        self.reads.append((level, marks))
        index = PrintIndex(THIRDS, 0.006, 0.0, 0.008)
        return SimpleNamespace(index=index, marks=marks or GUESSED)


@pytest.fixture
def reader(monkeypatch) -> Reader:
    made = Reader()
    monkeypatch.setattr(apart, "flat_of", made.flat_of)
    monkeypatch.setattr(reading, "read_print", made.read_print)
    return made


@pytest.fixture
def photo(tmp_path) -> Path:
    made: Path = tmp_path / "p.jpg"
    made.write_bytes(b"a photo")
    return made


@pytest.fixture
def ann(tmp_path, run) -> str:
    assert run("players", "add", "Ann", "--handed", "right").exit_code == 0
    return "Ann"


def test_a_print_is_read_with_marks_that_are_guessed_or_given(run, reader, photo, tmp_path):
    flat = tmp_path / "flat.jpg"
    shown = run(
        *("footprint", "read", "Ann", "left", photo, "--how", "walking", "--flat", flat),
    )
    assert shown.exit_code == 0, shown.output
    # ± by the hand of its parts: the root of .006² + .008²
    assert shown.stdout == (
        "left foot, walking: arch index 0.167 ± 0.010 for this print, 120 cm² without toes, "
        "210 mm long. Heel, toe and toe line are guessed.\n"
    )
    assert reader.flats == [
        {"photo": b"a photo", "paper": None, "corners": None, "mirrored": False}
    ]
    assert reader.reads == [(0.5, None)]
    assert flat.read_bytes() == b"\xff\xd8\xff flat"
    again = run("footprint", "read", "Ann", "left", photo, "--how", "walking", "--flat", flat)
    assert again.exit_code == 2 and "flat.jpg: is there already" in again.stderr
    given = run(
        *("footprint", "read", "Ann", "right", photo, "--how", "standing", "--level", "0.4"),
        *("--heel", "70", "250", "--toe", "71", "20", "--line", "0", "60", "140", "61"),
    )
    assert given.exit_code == 0 and "guessed" not in given.stdout
    assert reader.reads[-1] == (0.4, MARKS)


def test_a_plain_sheet_s_corners_are_pairs_and_its_mirroring_is_said(run, reader, photo):
    corners = ["--corners", *"12345678"]
    read = ("footprint", "read", "Ann", "left", photo, "--how", "walking", "--sheet", "letter")
    assert run(*read, "--mirrored", *corners).exit_code == 0
    assert reader.flats[0]["corners"] == [(1.0, 2.0), (3.0, 4.0), (5.0, 6.0), (7.0, 8.0)]
    assert (reader.flats[0]["paper"], reader.flats[0]["mirrored"]) == ("letter", True)
    assert run(*read, "--not-mirrored").exit_code == 0
    assert reader.flats[1]["mirrored"] is False
    refused = run(*read)
    assert refused.exit_code == 2 and "a plain sheet shows neither" in refused.stderr


@pytest.mark.parametrize(
    "given",
    [
        ("--heel", "70", "250", "--toe", "71", "20", "--line", "0", "60", "140", "61"),
        ("--corners", *"12345678"),
        ("--flat", "flat.jpg"),
    ],
)
def test_what_is_of_one_photo_is_refused_with_two(run, reader, photo, given):
    read = ("footprint", "read", "Ann", "left", photo, photo, "--how", "walking")
    refused = run(*read, *given)
    assert refused.exit_code == 2 and "are of one photo" in refused.stderr
    assert run(*read).exit_code == 0 and len(reader.flats) == 2


@pytest.mark.parametrize("left_out", ["--heel", "--toe", "--line"])
def test_marks_are_given_all_three_or_none(run, reader, photo, left_out):
    marks = {"--heel": ["1", "2"], "--toe": ["3", "4"], "--line": ["5", "6", "7", "8"]}
    del marks[left_out]
    words = [word for option, values in marks.items() for word in (option, *values)]
    refused = run("footprint", "read", "Ann", "left", photo, "--how", "walking", *words)
    assert refused.exit_code == 2 and "give all three or none" in refused.stderr


def test_what_is_kept_is_listed_and_taken_away_one_by_one(run, reader, photo, ann, tmp_path):
    read = ("footprint", "read", ann, "left", photo, "--how", "walking")
    assert run(*read, "--keep-photo").exit_code == 2  # without --keep
    assert run(*read).exit_code == 0
    assert json.loads(run("footprint", "list", ann, "--json").stdout)["prints"] == []
    kept = run(*read, "--keep")
    assert kept.stdout.splitlines()[-1] == "Kept."
    twice = run(*read, "--keep")
    assert twice.exit_code == 2 and "kept already" in twice.stderr
    assert run(*read, "--keep", "--level", "0.4").exit_code == 0
    table = json.loads(run("footprint", "list", ann, "--json").stdout)
    assert table["schema"] == 1
    first, second = table["prints"]
    assert not first["has_picture"]
    lines = run("footprint", "list", ann).stdout.splitlines()
    assert lines[0].startswith(first["print_id"][:8]) and ", with picture" not in lines[0]
    assert "arch index 0.167 ± 0.010" in lines[0]
    # two prints of .167: normal, .21 to .26 is Cavanagh & Rodgers' normal arch, below is high
    assert lines[2].startswith("left, walking: arch index 0.167 (") and "high, n = 2" in lines[2]
    assert lines[-1] == "An index of area: no load share is to be compared with it."
    nobody = run("footprint", "remove", ann, "zz")
    assert nobody.exit_code == 2 and "print zz: 0 begin so, expected one" in nobody.stderr
    several = run("footprint", "remove", ann, "")
    assert several.exit_code == 2 and "2 begin so, expected one" in several.stderr
    gone = run("footprint", "remove", ann, first["print_id"])
    assert gone.stdout == "Taken away.\n"
    (left,) = json.loads(run("footprint", "list", ann, "--json").stdout)["prints"]
    assert left["print_id"] == second["print_id"]


def test_a_picture_is_kept_with_consent_and_said(run, reader, photo, ann):
    assert run("players", "consent", ann, "record", "--by", "player").exit_code == 0
    read = ("footprint", "read", ann, "right", photo, "--how", "standing", "--keep")
    assert run(*read, "--keep-photo").exit_code == 0
    assert ", with picture" in run("footprint", "list", ann).stdout.splitlines()[0]


def test_the_page_to_print_is_written_once_with_its_cautions(run, tmp_path, monkeypatch):
    asked: list[str] = []

    def target_page(paper: str) -> bytes:
        asked.append(paper)
        return f"%PDF {len(asked)}".encode()

    monkeypatch.setattr(target, "target_page", target_page)
    page = tmp_path / "page.pdf"
    said = run("footprint", "target", page)
    assert said.stdout.startswith(f"Written: {page}. Print it at 100 %.\n")
    assert len(said.stdout.splitlines()) > 1 and page.read_bytes() == b"%PDF 1"
    assert "is there already" in run("footprint", "target", page).stderr
    assert page.read_bytes() == b"%PDF 1"
    assert run("footprint", "target", page, "--paper", "letter", "--replace").exit_code == 0
    assert page.read_bytes() == b"%PDF 3" and asked == ["a4", "a4", "letter"]
    nowhere = run("footprint", "target", tmp_path / "no" / "page.pdf")
    assert nowhere.exit_code == 2 and "cannot be written (No such file" in nowhere.stderr


def test_a_page_that_finds_no_room_leaves_the_one_before_it(run, tmp_path, monkeypatch):
    page = tmp_path / "page.pdf"
    page.write_bytes(b"before")
    monkeypatch.setattr(target, "target_page", lambda paper: b"%PDF after")

    def onto_a_full_disk(path: Path, data: bytes) -> int:
        with path.open("wb") as file:
            file.write(data[:4])
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", onto_a_full_disk)
    for name, options in (("page.pdf", ["--replace"]), ("new.pdf", [])):
        said = run("footprint", "target", tmp_path / name, *options)
        assert said.exit_code == 1
        assert said.stderr == (
            f"Error: {tmp_path / name}: cannot be written (No space left on device)\n"
        )
    assert page.read_bytes() == b"before"
    assert [found.name for found in tmp_path.iterdir()] == ["page.pdf"]

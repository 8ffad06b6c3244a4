"""The commands `footprint …`, from the page to the sheet. All people in here are invented."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from tests.support.camera import Camera, drawn, page_picture, photograph

from plantigrade_gateway.cli.main import main

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

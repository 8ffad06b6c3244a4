"""How the companion is built, by a compiler that a test writes itself: what is asked, what is kept.

It is a shell script: it notes its arguments and copies the first source to where the program goes.
"""

import subprocess
from importlib import resources
from pathlib import Path

import pytest

from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.virtual import build

NOTING = """#!/bin/sh
echo "$@" >> "$(dirname "$0")/asked"
for last; do :; done
cp "$(dirname "$0")/firmware/host/companion.c" "$last"
"""
FAILING = """#!/bin/sh
echo "companion.c: In function main:" >&2
echo "  companion.c:7:1: error: no semicolon" >&2
exit 1
"""
HARDWARE_NOTES = Path(__file__).resolve().parents[3] / "hardware_notes"


@pytest.fixture
def firmware(tmp_path) -> Path:
    """The companion's sources, as `hardware_notes/firmware` has them, none with anything in it."""
    folder: Path = tmp_path / "firmware"
    (folder / "host").mkdir(parents=True)
    (folder / "host" / "companion.c").write_text("program 1")
    for source in (HARDWARE_NOTES / "firmware").glob("plantigrade_*.[ch]"):
        (folder / source.name).write_text(source.name)
    return folder


def compiler(tmp_path: Path, text: str = NOTING) -> str:
    made = tmp_path / "compiler"
    made.write_text(text)
    made.chmod(0o700)
    return str(made)


def asked(tmp_path: Path) -> list[list[str]]:
    noted = tmp_path / "asked"
    return [line.split() for line in noted.read_text().splitlines()] if noted.exists() else []


def test_all_of_its_sources_are_built_into_one_program_in_the_cache(tmp_path, firmware):
    cache = tmp_path / "not" / "there" / "yet"
    program = build.companion_program(firmware, cache, compiler(tmp_path), ("-g", "-Wall"))
    assert program.parent == cache and program.read_text() == "program 1"
    (arguments,) = asked(tmp_path)
    given = [Path(word) for word in arguments if word.endswith(".c")]
    assert all(path.is_file() for path in given)
    named = {path.name for path in given}
    # what an application needs by hardware_notes/firmware/README.md, and the host's own
    assert named >= {"companion.c", "plantigrade_wire.c", "plantigrade_app.c", "plantigrade_log.c"}
    assert len(given) == len(named) == 9
    assert {"-g", "-Wall", f"-I{firmware}", "-std=c99"} < set(arguments)
    assert list(cache.iterdir()) == [program]  # nothing half made is left


def test_it_is_built_again_for_another_source_header_or_flag_and_for_nothing_else(
    tmp_path, firmware
):
    cache, script = tmp_path / "cache", compiler(tmp_path)
    cache.mkdir()

    def made(*flags: str) -> Path:
        return build.companion_program(firmware, cache, script, flags)

    programs = [made()]
    assert made() == programs[0] and len(asked(tmp_path)) == 1
    programs.append(made("-g"))
    (firmware / "host" / "companion.c").write_text("program 2")
    programs.append(made())
    assert programs[-1].read_text() == "program 2"
    next(firmware.glob("plantigrade_wire.c")).write_text("changed")
    programs.append(made())
    next(firmware.glob("*.h")).write_text("changed")
    programs.append(made())
    assert len(set(programs)) == len(asked(tmp_path)) == 5
    moved = firmware.rename(tmp_path / "elsewhere")
    (tmp_path / "firmware" / "host").mkdir(parents=True)
    (tmp_path / "firmware" / "host" / "companion.c").write_text("program 2")
    again = build.companion_program(moved, cache, script)
    assert again == programs[-1] and len(asked(tmp_path)) == 5  # where they lie is no matter


def test_without_a_cache_of_its_own_the_user_s_is_taken(tmp_path, firmware, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "of_user"))
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    program = build.companion_program(firmware, compiler=compiler(tmp_path))
    below = program.relative_to(tmp_path).parts
    assert below[0] in ("of_user", "home")  # Linux by XDG's rules, macOS by its own
    assert below[-3:-1] == ("plantigrade", "companion")


@pytest.mark.parametrize("folder", ["installed", "of_repository"])
def test_its_sources_are_those_of_the_wheel_or_of_the_repository(tmp_path, monkeypatch, folder):
    package = tmp_path / "gateway" / "plantigrade_gateway"
    here = {
        "installed": package / "data" / "firmware",
        "of_repository": tmp_path / "hardware_notes" / "firmware",
    }[folder]
    (here / "host").mkdir(parents=True)
    (here / "host" / "companion.c").touch()
    monkeypatch.setattr(build, "__file__", str(package / "virtual" / "build.py"))
    monkeypatch.setattr(resources, "files", lambda name: tmp_path / "gateway" / name)
    assert build.firmware_folder() == here
    for source in (HARDWARE_NOTES / "firmware").glob("plantigrade_*.[ch]"):
        (here / source.name).touch()
    script = compiler(tmp_path, '#!/bin/sh\necho "$@" >> "$(dirname "$0")/asked"\nexit 1\n')
    with pytest.raises(BluetoothError):
        build.companion_program(None, tmp_path / "cache", script)
    assert str(here / "host" / "companion.c") in asked(tmp_path)[0]


def test_sources_that_are_nowhere_are_said(tmp_path, monkeypatch):
    monkeypatch.setattr(build, "__file__", str(tmp_path / "a" / "b" / "c" / "build.py"))
    monkeypatch.setattr(resources, "files", lambda name: tmp_path / name)
    with pytest.raises(BluetoothError, match=r"^companion: its C sources are not here"):
        build.firmware_folder()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (FAILING, "it does not compile here: companion.c:7:1: error: no semicolon"),
        ("#!/bin/sh\nexit 3\n", "it does not compile here: no reason given"),
    ],
)
def test_what_does_not_compile_is_said_by_its_first_error(tmp_path, firmware, text, said):
    with pytest.raises(BluetoothError) as error:
        build.companion_program(firmware, tmp_path / "cache", compiler(tmp_path, text))
    assert str(error.value) == f"companion: {said}"
    assert list((tmp_path / "cache").iterdir()) == []


def test_a_compiler_that_is_not_there_is_said(tmp_path, firmware):
    with pytest.raises(BluetoothError, match=r"there is no C compiler \(no-such-cc\)") as error:
        build.companion_program(firmware, tmp_path, compiler="no-such-cc")
    assert "apt install gcc" in str(error.value)


def test_a_compiler_that_hangs_is_given_up_and_said(tmp_path, firmware, monkeypatch):
    limits: list[float] = []

    def run(command: list[str], *, timeout: float, **_: object) -> None:
        limits.append(timeout)
        raise subprocess.TimeoutExpired(command, timeout)

    monkeypatch.setattr(subprocess, "run", run)
    with pytest.raises(BluetoothError, match=r"^companion: its compiler \(cc\) does not end"):
        build.companion_program(firmware, tmp_path / "cache")
    assert 60.0 <= limits[0] < 600.0

"""The options of the pages and the password: what is asked, refused and never shown."""

import os
import pty
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import click
import pytest
from argon2 import PasswordHasher
from click.testing import CliRunner

from plantigrade_gateway.cli import pages
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.cli.pages import PageChoice, web_options
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.door import password

GOOD = "heel midfoot toes"


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(
        password, "HASHER", PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
    )


@pytest.fixture
def path(tmp_path) -> Path:
    file: Path = tmp_path / "store.sqlite3"
    return file


def kept(path: Path) -> str | None:
    with Store.open(path) as store:
        return password.hash_of(store.database)


def secret(tmp_path: Path, text: str = GOOD + "\n", mode: int = 0o600) -> Path:
    file = tmp_path / "password"
    file.write_text(text, "utf-8")
    file.chmod(mode)
    return file


def test_on_this_machine_no_password_is_needed(path):
    order = web_options(PageChoice(port=0), path, show=False)
    assert order is not None
    start = order.start("0", path)
    assert (start.host, start.lan, start.cert) == ("127.0.0.1", False, None)
    assert order.said("8642") == ["Live page: http://127.0.0.1:8642/"]
    # a desk has no live page: its first address is one that has something to show
    desk = replace(order, has_gateway=False)
    assert desk.said("8642") == ["Desk: http://127.0.0.1:8642/players"]
    assert not path.exists()


def test_the_local_network_needs_one_and_says_where_to_set_it(path):
    with pytest.raises(InputError, match="no password is set; set one with plantigrade password"):
        web_options(PageChoice(lan=True), path, show=False)


def test_with_one_the_page_listens_to_the_network_and_warns_of_plain_http(path, tmp_path):
    order = web_options(PageChoice(lan=True, password_file=secret(tmp_path)), path, show=False)
    assert order is not None
    assert order.start("0", path).host == "0.0.0.0"
    said = order.said("8642")
    assert "after the sign-in: http://" in said[0]
    assert "may read the password" in said[1]
    hashed = kept(path)
    assert hashed is not None and password.matches(hashed, GOOD)


def test_a_service_that_starts_again_keeps_its_sign_ins(path, tmp_path):
    wish = PageChoice(lan=True, password_file=secret(tmp_path))
    web_options(wish, path, show=False)
    first = kept(path)
    web_options(wish, path, show=False)
    assert kept(path) == first
    secret(tmp_path, "another long password")
    web_options(wish, path, show=False)
    assert kept(path) != first


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("short", "has 5 characters, expected at least 12"),
        ("a" * 12, "has 1 different characters, expected at least 5"),
        ("abcde" * 60, "has 300 characters, expected at most 256"),
        ("", "has 0 lines, expected one line"),
        ("one long enough\nanother one", "has 2 lines, expected one line"),
    ],
)
def test_a_password_that_is_none_is_refused_without_being_shown(path, tmp_path, text, said):
    file = secret(tmp_path, text)
    result = CliRunner().invoke(
        main, ["password", "--password-file", str(file), "--store", str(path)]
    )
    assert result.exit_code == 2
    assert said in result.stderr and len(result.stderr.splitlines()) == 1
    assert text not in result.stderr or not text
    assert not path.exists() or kept(path) is None


def test_a_password_file_is_nobody_elses(path, tmp_path):
    for mode in (0o644, 0o640, 0o620, 0o604):
        file = secret(tmp_path, mode=mode)
        with pytest.raises(InputError, match=f"may read or change it.*chmod 600 {file}"):
            password.from_file(file)
    for mode in (0o600, 0o400):
        assert password.from_file(secret(tmp_path, mode=mode)) == GOOD
    with pytest.raises(InputError, match="cannot be read"):
        password.from_file(tmp_path / "none")
    file.write_bytes(b"\xff" * 20)
    file.chmod(0o600)
    with pytest.raises(InputError, match="not UTF-8 text"):
        password.from_file(file)


def test_signs_composed_in_another_way_are_the_same_password(path, tmp_path):
    with Store.open(path) as store:
        password.put(store.database, "größer als zwölf")
        hashed = password.hash_of(store.database)
    assert hashed is not None
    assert password.matches(hashed, "gro\u0308ßer als zwo\u0308lf")
    assert not password.matches(hashed, "grosser als zwoelf")


@pytest.mark.parametrize(
    ("wish", "said"),
    [
        (PageChoice(page=False, lan=True), "--lan: opens the page to others, leave --no-page out"),
        (PageChoice(password_file=Path("x")), "--password-file: is for --lan"),
        (PageChoice(tls_cert=Path("x")), "--tls-cert: needs --tls-key beside it"),
    ],
)
def test_options_that_do_not_fit_are_refused(path, wish, said):
    with pytest.raises(InputError) as refused:
        web_options(wish, path, show=False)
    assert said in str(refused.value)
    assert not path.exists()


def test_every_command_that_serves_the_page_takes_its_options():
    for name in ("demo", "replay", "run"):
        said = CliRunner().invoke(main, [name, "--help"]).output
        for option in (
            "--no-page",
            "--port",
            "--lan",
            "--password-file",
            "--tls-cert",
            "--tls-key",
        ):
            assert option in said
        assert "--password " not in said, "a command line is seen by every user of the machine"


def typed(path: Path, *answers: tuple[str, str]) -> tuple[int, str]:
    """Run `plantigrade password` in a terminal and answer it; return its exit code and its output.

    An answer is the end of the question that is waited for, and what is typed then.
    """
    terminal, inside = pty.openpty()
    code = "from plantigrade_gateway.cli.main import main; main()"
    command = [sys.executable, "-c", code, "password", "--store", str(path)]
    with subprocess.Popen(command, stdin=inside, stdout=inside, stderr=inside) as process:
        os.close(inside)
        shown = b""
        for question, line in answers:
            while not shown.endswith(question.encode()):
                shown += os.read(terminal, 1)
            os.write(terminal, line.encode() + b"\n")
            shown += os.read(terminal, 1)
        try:
            while piece := os.read(terminal, 1024):
                shown += piece
        except OSError:  # the other end is closed
            pass
        returned = process.wait()
    os.close(terminal)
    return returned, shown.decode()


@pytest.mark.dear
def test_in_a_terminal_it_is_asked_for_twice_and_never_shown(path):
    first, again = "at least 12 characters: ", "Once more: "
    code, shown = typed(
        path,
        (first, "short"),
        (first, GOOD),
        (again, "heel midfoot toe"),
        (first, GOOD),
        (again, GOOD),
    )
    assert code == 0
    assert "has 5 characters, expected at least 12" in shown
    assert "the two differ. Try again." in shown
    assert "The password is set. Every device is signed out." in shown
    assert "heel" not in shown and "short" not in shown
    hashed = kept(path)
    assert hashed is not None and password.matches(hashed, GOOD)


def test_without_a_terminal_nothing_is_asked(path, monkeypatch):
    result = CliRunner().invoke(main, ["password", "--store", str(path)], input=f"{GOOD}\n{GOOD}\n")
    assert result.exit_code == 2
    assert "taken from --password-file" in result.stderr
    assert pages.PageChoice().page


LONG, OTHER = "a long invented one", "another invented one"


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ([LONG, LONG], ""),
        ([LONG, OTHER, LONG, LONG], "password: the two differ. Try again.\n"),
        (["short", LONG, LONG], "Try again.\n"),
    ],
)
def test_a_password_is_typed_twice_alike_and_asked_for_again_else(typed, said, monkeypatch, capsys):
    answers = iter(typed)

    def prompt(_: str, *, hide_input: bool) -> str:
        assert hide_input
        return str(next(answers))

    monkeypatch.setattr(click, "prompt", prompt)
    assert pages._asked() == LONG
    assert capsys.readouterr().err.endswith(said)
    assert next(answers, None) is None


def test_a_password_that_never_comes_twice_is_none(monkeypatch):
    typed = iter([LONG, OTHER] * 50)
    monkeypatch.setattr(click, "prompt", lambda *_, **__: next(typed))
    with pytest.raises(InputError, match=r"^password: the two differ$"):
        pages._asked()


def test_a_lan_without_a_password_asks_for_one_says_what_for_and_keeps_it(
    path, monkeypatch, capsys
):
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True)
    monkeypatch.setattr(click, "prompt", lambda *_, **__: LONG)
    pages.see_to_password(path, None)
    said = "Others sign in to this gateway's pages with a password. Choose one.\n"
    assert capsys.readouterr().out == said
    hashed = kept(path)
    assert hashed is not None and password.matches(hashed, LONG)
    pages.see_to_password(path, None)  # there is one now
    assert capsys.readouterr().out == "" and kept(path) == hashed


def test_a_changed_password_file_is_told_since_every_device_signs_in_again(path, tmp_path, capsys):
    file = secret(tmp_path)
    told = f"The password is now that of {file}; every device is signed out.\n"
    for text, said in ((GOOD, told), (GOOD, ""), (LONG, told)):
        secret(tmp_path, text)
        pages.see_to_password(path, file)
        assert capsys.readouterr().out == said


def test_the_command_changes_the_password_and_says_who_is_signed_out(path, monkeypatch, capsys):
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True)
    monkeypatch.setattr(click, "prompt", lambda *_, **__: LONG)
    pages._change(path, None)
    hashed = kept(path)
    assert hashed is not None and password.matches(hashed, LONG)
    assert capsys.readouterr().out == "The password is set. Every device is signed out.\n"

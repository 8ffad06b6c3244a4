"""What README.md shows is what the commands print; ``python -m tests.support.readme`` renews it."""

from tests.support import readme


def test_the_readme_shows_what_the_demo_prints():
    assert readme.demo() in readme.README.read_text("utf-8")


def test_the_readme_shows_what_analyse_prints(open_data):
    shown = readme.README.read_text("utf-8")
    assert readme.walk(open_data("gaitpdb/GaCo02_01.csv")) in shown

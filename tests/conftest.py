"""What every test may ask for, and what counts as having run.

A skip is a failure where the environment variable CI is "true": there, everything a test needs is
installed. Tests of open recordings are deselected, with a line, where there is no folder of them.
"""

import os
from collections.abc import Callable, Generator, Sequence
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("any machine", deadline=None)  # how long it takes is a benchmark's
settings.register_profile("quick", deadline=None, max_examples=25)

ROOT = Path(__file__).resolve().parent.parent
GIVEN = os.environ.get("PLANTIGRADE_DATA", "")
RECORDINGS = Path(GIVEN) if GIVEN else ROOT.parent / "shared" / "data"
"""The folder of open recordings: the environment's, else ``shared/data`` beside the repository."""
HAS_RECORDINGS = bool(GIVEN) or RECORDINGS.is_dir()  # a folder that is named must be there


@pytest.fixture(scope="session")
def open_data() -> Callable[[str], Path]:
    """Return the finder of open recordings: a file's path from its name within their folder."""

    def find(name: str) -> Path:
        path = RECORDINGS / name
        assert path.exists(), f"{name} is not in {RECORDINGS}, the folder of open recordings"
        return path

    return find


def pytest_configure(config: pytest.Config) -> None:
    """Try fewer examples of what sets no number of its own where the quick tests alone are run."""
    quick = "not dear" in config.option.markexpr
    settings.load_profile("quick" if quick else "any machine")


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Do not even import dear or slow modules where they are not wanted: half of the time."""
    wanted = config.option.markexpr
    left_out = [mark for mark in ("dear", "slow") if f"not {mark}" in wanted]
    if not left_out or collection_path.suffix != ".py":
        return None
    text = collection_path.read_text("utf-8")
    return any(f"\npytestmark = pytest.mark.{mark}\n" in text for mark in left_out) or None


@pytest.hookimpl(trylast=True)  # of what is left after the marks were read
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Deal the long tests out; deselect those of open recordings where there are none."""
    if workers := int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "0")):
        is_long = [item.get_closest_marker("long") is not None for item in items]
        items[:] = [items[k] for k in dealt(is_long, workers)]
    if HAS_RECORDINGS:
        return
    without = [item for item in items if "open_data" in getattr(item, "fixturenames", ())]
    items[:] = [item for item in items if item not in without]
    config.hook.pytest_deselected(items=without)


def dealt(is_long: Sequence[bool], workers: int) -> list[int]:
    """Return the order in which each worker's part, one after another, begins with long tests.

    A worker is given a part of the list of about one length, and when it is done a piece off the
    end of another's: a long test that stood there would be begun when the others have ended. What
    is not long stays in its order, since neighbours share what is dear to make.
    """
    long = [k for k, one in enumerate(is_long) if one]
    others = [k for k, one in enumerate(is_long) if not one]
    order: list[int] = []
    left = len(is_long)
    for number in range(workers):
        part = long[number::workers]
        size = left // (workers - number)
        rest = max(0, size - len(part))
        order += part + others[:rest]
        del others[:rest]
        left -= len(part) + rest
    return order + others


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say that they were deselected."""
    if not HAS_RECORDINGS:
        terminalreporter.write_line(
            f"Tests of open recordings are deselected: there is no {RECORDINGS}, and "
            "PLANTIGRADE_DATA names no folder."
        )


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Count a test that skips as failed in CI; one that is expected to fail is no skip."""
    report = yield
    if not hasattr(report, "wasxfail"):
        _refuse_skip(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Count a module that skips as failed in CI."""
    report = yield
    _refuse_skip(report)
    return report


def _refuse_skip(report: pytest.TestReport | pytest.CollectReport) -> None:
    if report.outcome == "skipped" and os.environ.get("CI") == "true":
        report.outcome = "failed"
        report.longrepr = f"skipped where CI is true, which is a failure: {report.longreprtext}"

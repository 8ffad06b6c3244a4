"""Where the command `plantigrade` begins: Ctrl-C ends it without a traceback at any time.

While the program is loaded, and when it has ended, an interrupt ends the process as any program's
is; what is at work between them takes it as an exception and puts things in order first. An output
that takes nothing, as on a full disk, is one sentence.
"""

import _signal  # type: ignore[import-not-found]  # built in; `signal` imports others first

_signal.signal(_signal.SIGINT, _signal.SIG_DFL)

import os  # noqa: E402
import sys  # noqa: E402


def main() -> None:
    """Run the command that the arguments name, and exit with its code."""
    from plantigrade_gateway.cli.main import main as command

    try:
        _signal.signal(_signal.SIGINT, _signal.default_int_handler)
        command()
    except OSError as error:
        if not _is_of_output(error):
            raise
        sys.stderr.write(f"Error: standard output: cannot be written: {error.strerror}\n")
        sys.exit(1)
    finally:
        _signal.signal(_signal.SIGINT, _signal.SIG_DFL)


def _is_of_output(error: OSError) -> bool:
    """Whether standard output takes nothing, as on a full disk; then no more is tried there."""
    if error.filename is not None or sys.stdout is None:
        return False
    try:
        sys.stdout.write("\n")
        sys.stdout.flush()
    except OSError as again:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return again.errno == error.errno
    return False

"""Where the command `plantigrade` begins: Ctrl-C ends it without a traceback at any time.

While the program is loaded, and when it has ended, an interrupt ends the process as any program's
is; what is at work between them takes it as an exception and puts things in order first.
"""

import _signal  # type: ignore[import-not-found]  # built in; `signal` imports others first

_signal.signal(_signal.SIGINT, _signal.SIG_DFL)


def main() -> None:
    """Run the command that the arguments name, and exit with its code."""
    from plantigrade_gateway.cli.main import main as command

    try:
        _signal.signal(_signal.SIGINT, _signal.default_int_handler)
        command()
    finally:
        _signal.signal(_signal.SIGINT, _signal.SIG_DFL)

"""Optional extras: one that is missing is said with the command that adds it here."""

import shlex
import sys
from importlib.util import find_spec

from plantigrade_gateway.errors import InputError


def need(what: str, library: str, extra: str) -> None:
    """Refuse what cannot be without an optional extra that is not installed.

    Parameters
    ----------
    what : str
        A plural, such as ``"footprints"``.
    library : str
        The module that the extra brings.
    extra : str

    Raises
    ------
    InputError
    """
    if find_spec(library) is None:
        # This interpreter's pip adds to what is here, a clone or a wheel, and fetches no other.
        raise InputError(
            f"{what} need the optional extra {extra!r}, which is not installed; add it with "
            f"{shlex.quote(sys.executable)} -m pip install 'plantigrade[{extra}]'"
        )

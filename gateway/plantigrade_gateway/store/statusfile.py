"""A small JSON file that one program replaces while others read it."""

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any


def replace_json(path: Path, table: Mapping[str, Any]) -> None:
    """Replace the file whole; a disk that refuses costs nothing but what it would have said."""
    new = path.with_name(path.name + ".new")
    try:
        new.write_text(json.dumps(table), "utf-8")
        os.replace(new, path)
    except OSError:
        return

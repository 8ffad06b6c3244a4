"""Log lines as JSON, one object a line, in a file that does not grow without end.

Where the settings name no folder nothing is written. Names of players are not logged, ids are;
secrets are taken out of whatever text comes by.
"""

import json
import logging
import logging.handlers
from datetime import UTC, datetime
from pathlib import Path

from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import InputError

MAX_BYTES, KEPT = 5 << 20, 3
_OWN = set(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName"}


class JsonLines(logging.Formatter):
    """One JSON object a record: time, level, logger, text, and what stood in ``extra``."""

    def __init__(self, config: Config) -> None:
        super().__init__()
        self._config = config

    def format(self, record: logging.LogRecord) -> str:
        """Return the line."""
        table = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "from": record.name,
            "text": record.getMessage(),
        }
        table |= {k: v for k, v in vars(record).items() if k not in _OWN}
        if record.exc_info:
            table["trace"] = self.formatException(record.exc_info)
        return self._config.masked(json.dumps(table, default=str, ensure_ascii=False))


def set_up(config: Config, program: str) -> None:
    """Have this process's log lines written to ``<log.folder>/<program>.log``.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    root = logging.getLogger()
    folder = config.text("log.folder")
    if folder is None:
        return
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
        handler = logging.handlers.RotatingFileHandler(
            Path(folder) / f"{program}.log", maxBytes=MAX_BYTES, backupCount=KEPT, encoding="utf-8"
        )
    except OSError as error:
        raise InputError(f"log.folder {folder}: cannot be written ({error.strerror})") from error
    handler.setFormatter(JsonLines(config))
    root.addHandler(handler)
    root.setLevel(config.word("log.level").upper())
    # What is said of single requests, by the sinks' libraries, may hold addresses and headers.
    for name in ("aiohttp", "urllib3", "mqtt", "asyncio", "influxdb_client"):
        logging.getLogger(name).setLevel(logging.WARNING)

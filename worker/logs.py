"""The log: one line of JSON for each entry, with the request that it belongs to, and without secrets."""

from __future__ import annotations

import json
import logging
import os
import re
import sys
from datetime import UTC, datetime

from worker.trace import facts

#: A password in an address, whoever wrote the address into a text.
_PASSWORD = re.compile(r"(?<=://)([^\s/@:]*):[^\s/@]+@")
_HIDDEN = r"\1:***@"


def set_up_logs(level: str) -> None:
    """Let this process write its log to standard error, from `level` on."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines())
    logging.basicConfig(level=level, handlers=[handler], force=True)
    logging.captureWarnings(capture=True)
    for talkative in ("httpx", "celery.worker.strategy", "celery.app.trace", "numba"):
        logging.getLogger(talkative).setLevel(max(logging.WARNING, logging.getLogger().level))


class JsonLines(logging.Formatter):
    """Makes each entry one line of JSON."""

    def format(self, record: logging.LogRecord) -> str:
        """The entry; what went wrong is told with its traceback."""
        entry: dict[str, object] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "process": os.getpid(),
            **facts(),
            **getattr(record, "facts", {}),
            "message": without_passwords(record.getMessage()),
        }
        if record.exc_info:
            entry["exception"] = without_passwords(self.formatException(record.exc_info))
        return json.dumps(entry, ensure_ascii=False, default=str)


def without_passwords(text: str) -> str:
    """The text with the password of each address in it hidden."""
    return _PASSWORD.sub(_HIDDEN, text)

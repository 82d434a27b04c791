"""`python -m api.openapi`: writes the contract of the service to `api/openapi.json`, which is kept with the code."""

from __future__ import annotations

import json
from pathlib import Path

from api.app import create_app
from worker.settings import Settings

PATH = Path(__file__).with_name("openapi.json")


def text() -> str:
    """The document as it is kept. No server is asked for it."""
    app = create_app(Settings(redis_url="redis://127.0.0.1/0"))
    return json.dumps(app.openapi(), indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    PATH.write_text(text(), encoding="utf-8")

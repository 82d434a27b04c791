"""Settings of service and worker, from the environment (prefix SHOTWRIGHT_; REDIS_URL is taken as it is)."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AliasChoices, Field, ValidationError, field_validator
from pydantic_settings import BaseSettings, NoDecode, SettingsConfigDict

#: Whether access keys are needed: `auto` asks for one unless both ends of a connection are this machine's loopback.
Access = Literal["auto", "keys", "open"]


class Settings(BaseSettings):
    """What an operator may set. Times are seconds unless the name says otherwise."""

    model_config = SettingsConfigDict(env_prefix="SHOTWRIGHT_", frozen=True, populate_by_name=True)

    redis_url: str | None = Field(
        default=None,
        validation_alias=AliasChoices("SHOTWRIGHT_REDIS_URL", "REDIS_URL"),
        description="Redis to use; without it a private server is started and stopped with the program.",
    )
    state_folder: Path = Field(
        default=Path("state"), description="Where the private server keeps its data, and the API its counts and logs."
    )
    result_days: float = Field(default=30.0, gt=0.0, description="How long the results of an ended design are kept.")
    lease_seconds: float = Field(
        default=10.0, ge=1.0, description="A slot without a sign of life for so long is given to another worker."
    )
    attempts_limit: int = Field(default=3, ge=1, description="After so many leases a slot is given up.")
    concurrency: int = Field(
        default_factory=lambda: os.cpu_count() or 1, ge=1, le=256, description="Pool processes of a worker."
    )
    log_level: Literal["DEBUG", "INFO", "WARNING", "ERROR"] = Field(
        default="INFO", description="The least grave entries of the log that are written."
    )
    stop_grace_seconds: int = Field(
        default=5, ge=1, le=600, description="What the API gives requests under way when it is told to stop."
    )
    access: Access = Field(
        default="auto",
        description="Access keys: auto (asked for unless both ends are loopback), keys (always), open (never).",
    )
    rate_per_minute: int = Field(
        default=6000,
        ge=0,
        le=10**6,
        description="Requests a minute of a key, or an address let in without one; 0: any number.",
    )
    open_jobs_limit: int = Field(
        default=100,
        ge=1,
        description="Designs, lists of shots and fits that one key may have waiting or at work at a time.",
    )
    body_seconds: float = Field(default=30.0, gt=0.0, description="A request's body has to arrive within this time.")
    keep_alive_seconds: int = Field(default=20, ge=1, description="An idle connection is closed after so long.")
    send_seconds: float = Field(
        default=60.0, gt=0.0, description="A reader that takes nothing of its answer for so long is let go."
    )
    shot_wait_seconds: float = Field(
        default=60.0, gt=0.0, description="A shot that finds no free core within this time is refused with 503."
    )
    cors_origins: Annotated[tuple[str, ...], NoDecode] = Field(
        default=(), description="Origins, by commas, whose pages may use the API from a browser; none by default."
    )

    @field_validator("cors_origins", mode="before")
    @classmethod
    def _split(cls, value: object) -> object:
        if not isinstance(value, str):
            return value
        return tuple(word.strip().rstrip("/") for word in value.split(",") if word.strip())


def variable_of(name: str) -> str:
    """The environment variable of a setting."""
    return "REDIS_URL" if name == "redis_url" else f"SHOTWRIGHT_{name.upper()}"


def settings_or_exit(**given: Any) -> Settings:
    """The settings of this program; one that cannot be used ends it with exit code 2 and a sentence about each."""
    try:
        return Settings(**given)
    except ValidationError as problem:
        for entry in problem.errors():
            print(f"{variable_of(str(entry['loc'][0]))}={entry['input']}: {entry['msg']}", file=sys.stderr)
        sys.exit(2)

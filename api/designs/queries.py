"""Query parameters of the lists; a name that is not known is refused, not ignored."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field


class CandidateQuery(BaseModel):
    """Paging, filter and format of a list of candidates."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    limit: int = Field(ge=1, le=1000, default=50, description="Most entries on a page.")
    cursor: str | None = Field(max_length=500, default=None, description="`next_cursor` of the page before.")
    only: Literal["all", "feasible", "front"] = Field(default="all", description="Which candidates.")
    format: Literal["json", "csv"] | None = Field(default=None, description="Wins over the Accept header.")


class ExportQuery(BaseModel):
    """Filter and format of an export."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    only: Literal["all", "feasible", "front"] = Field(default="all", description="Which candidates.")
    format: Literal["ndjson", "csv"] = Field(default="ndjson", description="One JSON object a line, or CSV.")

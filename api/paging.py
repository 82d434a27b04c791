"""Query parameters of lists that are read page by page; a name that is not known is refused, not ignored."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field


class PageQuery(BaseModel):
    """Paging."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    limit: int = Field(ge=1, le=200, default=20, description="Most entries on a page.")
    cursor: str | None = Field(max_length=500, default=None, description="`next_cursor` of the page before.")

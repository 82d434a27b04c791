"""Describing, revising, reading and deleting benches."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Body, Depends, Header, Path, Query, Request, Response
from pydantic import Field

from api import examples
from api.paging import PageQuery
from api.problems import ProblemError, stated
from api.request_body import IdempotencyKey, require_json
from api.revalidation import tagged, unchanged
from physics.schema import Checked
from worker.bench import BenchDescription, BenchRevision
from worker.bench_store import BenchPage, BenchStore

PATH = "/v1/benches"
router = APIRouter(prefix=PATH, tags=["benches"])


class BenchLinks(Checked):
    """Where to go from here."""

    self: str = Field(description="The bench, which is its latest revision.")
    revision: str = Field(description="This revision.")
    revisions: str


class BenchDetail(Checked):
    """One revision of a bench."""

    id: str = Field(description="To be named as `bench_id` in a design or a shot.")
    revision: int = Field(description="From 1; each change makes the next, and none is ever overwritten.")
    created_at: datetime
    revised_at: datetime
    bench: BenchDescription
    links: BenchLinks


class BenchList(Checked):
    """A page of benches, or of revisions of one."""

    items: list[BenchDetail]
    next_cursor: str | None = Field(description="Give it as `cursor` for the next page; null on the last one.")


def bench_store(request: Request) -> BenchStore:
    """Dependency: what keeps the benches."""
    store: BenchStore = request.app.state.designs.benches
    return store


Benches = Annotated[BenchStore, Depends(bench_store)]
PostedBench = Annotated[BenchDescription, Body(examples=[examples.BENCH])]

_BODY = ("malformed-json", "too-large", "unsupported-media-type", "invalid-input", "store-unavailable")
_FOUND = ("not-found", "gone", "invalid-input", "store-unavailable")


def _detail_of(found: BenchRevision) -> BenchDetail:
    path = f"{PATH}/{found.id}"
    links = BenchLinks(self=path, revision=f"{path}/revisions/{found.revision}", revisions=f"{path}/revisions")
    return BenchDetail(
        id=found.id,
        revision=found.revision,
        created_at=found.created_at,
        revised_at=found.revised_at,
        bench=found.bench,
        links=links,
    )


def _list_of(page: BenchPage) -> BenchList:
    return BenchList(items=[_detail_of(found) for found in page.items], next_cursor=page.next_cursor)


@router.post(
    "",
    summary="Describe a bench once, to name it from then on",
    status_code=201,
    response_model=BenchDetail,
    dependencies=[Depends(require_json)],
    responses=stated(*_BODY, "gone", "idempotency-mismatch"),
)
def post_bench(bench: PostedBench, request: Request, benches: Benches, idempotency_key: IdempotencyKey) -> Response:
    """Stores revision 1 of a bench. It does not expire."""
    made = _detail_of(benches.create(bench, idempotency_key))
    return tagged(request, made, {"Location": made.links.self}, 201)


@router.get("", summary="All benches, newest first", responses=stated("invalid-input", "store-unavailable"))
def list_benches(query: Annotated[PageQuery, Query()], benches: Benches) -> BenchList:
    """A page of benches, each in its latest revision."""
    return _list_of(benches.page(query.limit, query.cursor))


@router.get(
    "/{bench_id}",
    summary="A bench as it stands",
    response_model=BenchDetail,
    responses=stated(*_FOUND) | {304: {"description": "Nothing has changed since the ETag in If-None-Match."}},
)
def get_bench(bench_id: str, request: Request, benches: Benches) -> Response:
    """The latest revision. Its `ETag` is what a change of it has to name."""
    return tagged(request, _detail_of(benches.get(bench_id)), {})


@router.put(
    "/{bench_id}",
    summary="Change a bench",
    response_model=BenchDetail,
    dependencies=[Depends(require_json)],
    responses=stated(*_BODY, "not-found", "gone", "changed-meanwhile", "precondition-required"),
)
def put_bench(
    bench_id: str,
    bench: PostedBench,
    request: Request,
    benches: Benches,
    if_match: Annotated[
        str | None, Header(max_length=500, description="The `ETag` of the bench as it was read.")
    ] = None,
) -> Response:
    """Stores the next revision, if nobody has changed the bench since it was read; earlier ones stay as they are."""
    latest = benches.get(bench_id)
    if if_match is None:
        raise ProblemError("precondition-required")
    if not unchanged(if_match, _detail_of(latest)):
        raise ProblemError("changed-meanwhile", f"The bench is at revision {latest.revision}, with another ETag.")
    return tagged(request, _detail_of(benches.revise(bench_id, latest.revision, bench)), {})


@router.get("/{bench_id}/revisions", summary="The revisions of a bench, latest first", responses=stated(*_FOUND))
def list_revisions(bench_id: str, query: Annotated[PageQuery, Query()], benches: Benches) -> BenchList:
    """A page of revisions."""
    return _list_of(benches.revisions(bench_id, query.limit, query.cursor))


@router.get(
    "/{bench_id}/revisions/{revision}",
    summary="One revision of a bench",
    response_model=BenchDetail,
    responses=stated(*_FOUND) | {304: {"description": "A revision never changes."}},
)
def get_revision(
    bench_id: str, revision: Annotated[int, Path(ge=1, le=10**6)], request: Request, benches: Benches
) -> Response:
    """The bench as it was described then."""
    return tagged(request, _detail_of(benches.get(bench_id, revision)), {})


@router.delete("/{bench_id}", summary="Delete a bench", status_code=204, responses=stated(*_FOUND))
def delete_bench(bench_id: str, benches: Benches) -> Response:
    """Deletes a bench and its revisions; its address answers 410 then. Designs that used it keep what they took."""
    benches.delete(bench_id)
    return Response(status_code=204)

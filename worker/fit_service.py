"""What the API asks of fits: the records that are meant, made whole, as a job."""

from __future__ import annotations

import logging
from functools import partial

from physics.schema import FieldProblem
from physics.shot import Shot
from worker.bench import BenchRevision, NamedBench, on_bench
from worker.errors import InputRefused, RecordGone, RecordUnknown
from worker.fit import MOST_RECORDS, FitCase, FitJob, FitRecord, FitRequest
from worker.fits.measured import measured
from worker.fits.parameters import priors_of
from worker.kept_trace import clean_trace
from worker.records import FIT_PREFIX
from worker.service import DesignService, queue
from worker.shot_record import Record
from worker.shot_record_store import RecordStore

log = logging.getLogger(__name__)


class FitService:
    """Creates fits. What they need of bench and records is taken when they are posted."""

    def __init__(self, designs: DesignService, records: RecordStore) -> None:
        self.store = designs.store.fits
        self._designs, self._records = designs, records

    def submit(self, request: FitRequest, idempotency_key: str | None = None, owner: str | None = None) -> FitJob:
        """Create the fit, queue it, return it. Raises InputRefused about bench or records, or what the store does."""
        known = self.store.made_from(request, idempotency_key)
        if known is not None:
            return self.store.get(known)
        fit_id, created = self.store.create(self._case(request), idempotency_key, owner)
        if created:
            log.info("fit %s is accepted", fit_id)
            queue(self.store, self._designs.send, f"{FIT_PREFIX}{fit_id}", partial(self.store.slots, fit_id))
        return self.store.get(fit_id)

    def _case(self, request: FitRequest) -> FitCase:
        bench = self._bench(request)
        if request.records is None:
            found = [r for r in self._records.of_bench(bench.id, MOST_RECORDS, request.since) if _tells(r)]
            pointers = [""] * len(found)
        else:
            found = [self._named(record_id, place, bench) for place, record_id in enumerate(request.records)]
            pointers = [f"/records/{place}" for place in range(len(found))]
        if not found:
            words = f"bench {bench.id} has no records with a trace or a size to be fitted"
            raise InputRefused([FieldProblem("/bench/id", words)])
        taken = [self._taken(record, bench, request, p) for record, p in zip(found, pointers, strict=True)]
        if not priors_of(taken[0].shot, request.priors):
            raise InputRefused([FieldProblem("/priors", "every prior is 0: nothing is to be fitted")])
        return FitCase(request=request, bench=bench, records=taken)

    def _bench(self, request: FitRequest) -> BenchRevision:
        try:
            return self._designs.benches.named(
                NamedBench(bench_id=request.bench.id, bench_revision=request.bench.revision)
            )
        except InputRefused as error:
            names = {"/bench_id": "/bench/id", "/bench_revision": "/bench/revision"}
            raise InputRefused(FieldProblem(names[p.pointer], p.detail) for p in error.problems) from error

    def _named(self, record_id: str, place: int, bench: BenchRevision) -> Record:
        pointer = f"/records/{place}"
        try:
            record = self._records.get(record_id)
        except (RecordUnknown, RecordGone) as problem:
            raise InputRefused([FieldProblem(pointer, str(problem))]) from problem
        refusal = None
        if record.content.bench is None or record.content.bench.id != bench.id:
            refusal = f"record {record_id} is not of a shot on bench {bench.id}"
        elif record.superseded_by is not None:
            refusal = f"record {record_id} has been superseded by {record.superseded_by}"
        elif not _tells(record):
            refusal = f"record {record_id} has neither a trace nor a size"
        if refusal is not None:
            raise InputRefused([FieldProblem(pointer, refusal)])
        return record

    def _taken(self, record: Record, bench: BenchRevision, request: FitRequest, pointer: str) -> FitRecord:
        try:
            shot = on_bench(record.content.shot, bench.bench)
        except InputRefused as error:
            raise InputRefused([FieldProblem(pointer, f"record {record.id} does not stand on it: {error}")]) from error
        trace = None if record.trace is None else clean_trace(record.trace, self._records.columns(record))
        shot = _at_fidelity(shot, request)
        return FitRecord.of(record.id, record.content.name, measured(record.id, shot, record.content.sizes, trace))


def _tells(record: Record) -> bool:
    return record.trace is not None or bool(record.content.sizes.stated)


def _at_fidelity(shot: Shot, request: FitRequest) -> Shot:
    solver = shot.solver.model_copy(update={"fidelity": request.fidelity})
    return shot.model_copy(update={"solver": solver})

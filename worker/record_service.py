"""What the API asks of records: which shot was fired, on which bench, and what its trace says."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

from physics.schema import FieldProblem
from physics.shot import Shot
from physics.waveform import Probe
from worker.bench import BenchUsed, NamedBench, ShotOnBench, on_bench
from worker.bench_store import BenchStore
from worker.errors import CandidateUnknown, DesignGone, DesignUnknown, InputRefused
from worker.kept_trace import accepted, inline_accepted
from worker.shot_record import BenchFired, CandidateFired, Record, RecordContent, RecordRequest, fired_shot
from worker.shot_record_store import RecordStore
from worker.store import Store
from worker.trace_file import read_columns
from worker.trial import shot_of

#: A clock that is ahead by no more than this may be that of another machine, or of another zone.
CLOCK_AHEAD = timedelta(days=1)


class RecordService:
    """Makes records whole before they are stored."""

    def __init__(self, designs: Store, benches: BenchStore) -> None:
        self.store = RecordStore(designs.client)
        self._designs, self._benches = designs, benches

    def submit(self, request: RecordRequest, idempotency_key: str | None = None) -> Record:
        """Store a record. Raises InputRefused about what it names or states, TraceRefused about its trace."""
        known = self.store.made_from(request, idempotency_key)
        if known is not None:
            return self.store.get(known)
        content = self._content(request)
        trace = None if request.trace is None else inline_accepted(request.trace, content.shot)
        return self.store.create(request, content, trace, idempotency_key)

    def add_file(self, record_id: str, file: bytes, names: tuple[str, str] | None, probe: Probe) -> Record:
        """Give a record the trace in a file of text. Raises TraceRefused, and TraceTaken when it has another one."""
        record = self.store.get(record_id)
        trace = accepted(*read_columns(file, names), probe, record.content.shot, file)
        return self.store.add_trace(record_id, trace)

    def planned(self, of_candidate: CandidateFired | None, shot: Shot | ShotOnBench | None) -> Shot:
        """The shot that is meant by one or the other. Raises InputRefused with pointers below `/shot_of` or `/shot`."""
        return (self._of_shot(shot) if of_candidate is None else self._of_candidate(of_candidate))[0]

    def _content(self, request: RecordRequest) -> RecordContent:
        if request.fired_at > self.store.now() + CLOCK_AHEAD:
            raise InputRefused([FieldProblem("/fired_at", f"{request.fired_at.isoformat()} lies in the future")])
        planned, used = self._of_candidate(request.shot_of) if request.shot_of else self._of_shot(request.shot)
        if request.bench is not None:
            planned, used = self._moved(planned, request.bench)
        own = request.model_dump(exclude={"shot", "trace", "bench"})
        return RecordContent.model_validate({**own, "shot": fired_shot(planned, request.set), "bench": used})

    def _of_shot(self, shot: Shot | ShotOnBench | None) -> tuple[Shot, BenchUsed | None]:
        assert shot is not None, "the request's own check"
        if isinstance(shot, Shot):
            return shot, None
        try:
            found = self._benches.named(shot)
            return shot.resolved(found), found.used
        except InputRefused as error:
            raise InputRefused(_below("/shot", error.problems)) from error

    def _of_candidate(self, fired: CandidateFired) -> tuple[Shot, BenchUsed | None]:
        try:
            design = self._designs.get(fired.design_id)
            candidate = self._designs.candidate(fired.design_id, fired.number)
        except (DesignUnknown, DesignGone) as problem:
            raise InputRefused([FieldProblem("/shot_of/design_id", str(problem))]) from problem
        except CandidateUnknown as problem:
            raise InputRefused([FieldProblem("/shot_of/number", str(problem))]) from problem
        planned = shot_of(design.request, candidate)
        if planned is None:
            words = f"no shot was run for candidate {fired.number}, so that none can have been fired"
            raise InputRefused([FieldProblem("/shot_of/number", words)])
        return planned, design.bench

    def _moved(self, planned: Shot, bench: BenchFired) -> tuple[Shot, BenchUsed]:
        """The shot on the bench that is stated."""
        try:
            found = self._benches.named(NamedBench(bench_id=bench.id, bench_revision=bench.revision))
        except InputRefused as error:
            names = {"/bench_id": "/bench/id", "/bench_revision": "/bench/revision"}
            raise InputRefused(FieldProblem(names[p.pointer], p.detail) for p in error.problems) from error
        try:
            return on_bench(planned, found.bench), found.used
        except InputRefused as error:
            words = f"the shot cannot have been fired on it: {error}"
            raise InputRefused([FieldProblem("/bench", words)]) from error


def _below(place: str, problems: Iterable[FieldProblem]) -> list[FieldProblem]:
    return [FieldProblem(f"{place}{p.pointer}", p.detail, p.unit, p.minimum, p.maximum, p.hint) for p in problems]

"""The store: every design, candidate, slot and lease, in Redis. All keys are listed here but those of access.py.

Layout, all under ``shotwright:`` (values are JSON or plain numbers, times are seconds since 1970):

===============================  ======  =====================================================================
``schema``                       string  version of this layout (migrations.py)
``migrating``                    string  who migrates it; lives ten minutes at most
``designs``                      zset    ids of all designs; sorted by name, so by the time they were made
``shot-lists``                   zset    jobs of all lists of shots, likewise
``queued``                       zset    jobs that wait for their first (or next) worker, by creation
``due``                          zset    slots that are not over, by the time they have to be looked after
``workers``                      zset    workers by their last sign of life
``totals``                       hash    how much ever happened, for the metrics (see operation.py)
``sweeper``                      string  the watchdog that sweeps; the others let it, until it falls silent
``idempotency:{digest}``         hash    body digest and design (or else) of an idempotency key; lives a day
``open:{owner}``                 set     jobs of one access key that have not ended
``tombstone:{id}``               string  'deleted' or 'expired'; outlives the design
``benches``                      zset    ids of all benches, sorted by the time they were made
``bench:{id}``                   hash    every revision of a bench and when it was written; kept until it is deleted
``tombstone:bench:{id}``         string  'deleted'
``records``                      zset    ids of all records of fired shots, sorted by the time they were stored
``record:{id}``                  hash    the record, what its trace says, what took its place; kept until it is deleted
``record:{id}:trace``            hash    packed columns of its trace (see kept_trace.py)
``record:{id}:predicted``        hash    what the model says of it, by bench, revision and software; lives a month
``bench:{id}:records``           zset    records of a bench that nothing has superseded, by the time they were fired
``tombstone:record:{id}``        string  'deleted'
``design:{id}``                  hash    the design's row: state, request, plan, counts, front, recommendation
``design:{id}:sample``           string  rows that the others are packed with (see codec.py)
``design:{id}:rows``             hash    packed candidates by number
``design:{id}:order``            list    numbers by arrival
``design:{id}:feasible``         string  a bit for each number, set when it is feasible
``design:{id}:energy``           zset    feasible numbers of least stored energy, a hundred
``design:{id}:misses``           hash    how often each reason stopped a trial
``design:{id}:nearest``          zset    the few infeasible numbers of least violation
``design:{id}:given_up``         list    the first islands that were given up
``design:{id}:events``           stream  what the scripts have changed, for those who follow (see events.py)
``design:{id}:slot:{r}/{i}``     hash    one island of the round under way (or ``{r}/closing``): state, attempts, lease
``shot-list:{id}``               hash    the list's row: state, counts, what is varied
``shot-list:{id}:shots``         hash    packed shots by slice
``shot-list:{id}:rows``          hash    packed outcomes by number
``shot-list:{id}:events``        stream  as of a design
``shot-list:{id}:slot:0/{i}``    hash    one slice, as an island; and the shot it is at, with how often that was begun
``fits``                         zset    jobs of all fits, sorted by the time they were made
``fit:{id}``                     hash    the fit's row: state, request, bench, records
``fit:{id}:shots``               hash    field 0: all that is to be fitted, packed
``fit:{id}:rows``                hash    field 0: its outcome, packed
``fit:{id}:events``              stream  as of a design
``fit:{id}:slot:0/0``            hash    its only slot
===============================  ======  =====================================================================

A job is a design, a list of shots or a fit. In `queued`, `due` and messages a design is called by its id alone, a list
`shot-list:{id}`, a fit `fit:{id}`.

A trial counts when its number is written first, and so does a shot; an island counts when it is filled first.
Delivering a message twice, or running an island again from its start, therefore changes nothing. A slot's message is
sent after its row is written; `due` makes sure that one that got lost is sent again. A trial takes about 300 bytes: its
packed row, its place in the order, a bit.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import chain
from typing import Literal, NoReturn, cast

from redis import Redis

from physics.software import software
from worker import scripts
from worker.bench import BenchUsed
from worker.budget import Budget
from worker.codec import RowPacker, open_number_cursor, read_design, read_slot, sample_of, seal_cursor
from worker.errors import (
    BudgetRefused,
    CandidateUnknown,
    DesignGone,
    DesignNotContinuable,
    DesignStillActive,
)
from worker.fit_store import FitStore
from worker.fitness import fault_of, prepare
from worker.identifiers import new_id
from worker.job_store import ANY, JobFilter, JobStore, Limits, job_key, raise_missing_job
from worker.plan import first_plan, islands_of, longer_plan, trials_through
from worker.records import (
    Candidate,
    CandidatePage,
    Design,
    DesignPage,
    Due,
    Ending,
    JobState,
    Lease,
    Limiting,
    Miss,
    Recommendation,
    SlotName,
    Stage,
    Submission,
    UnderWay,
)
from worker.request import DesignRequest
from worker.shot_list_store import ShotListStore
from worker.store_base import DAY_SECONDS, idempotency_words, key_of, raise_refused

#: Name of the message queue; its length tells whether a sent message may have got lost.
QUEUE = "shotwright"
WORKER_SILENCE_SECONDS = 6.0
#: One watchdog sweeps for all; when it has been silent for so long, another one takes over.
SWEEPER_SECONDS = 2.0
#: Candidates that are read at a time when all of them are wanted.
CHUNK = 500
_BLOCK = 1000

_SCRIPTS = (
    "CREATE", "CONTINUE", "SAMPLE", "NOTE", "RECORD", "FILL", "CLOSE", "SWEEP", "ALIVE",
)  # fmt: skip

#: Designs whose packers a store remembers.
MOST_PACKERS = 64

Selection = Literal["all", "feasible", "front"]


class Store(JobStore):
    """All operations on designs. Safe to share between threads."""

    def __init__(
        self,
        client: Redis,
        *,
        result_days: float = 30.0,
        lease_seconds: float = 10.0,
        attempts_limit: int = 3,
        open_jobs_limit: int = 100,
    ) -> None:
        limits = Limits(result_days, lease_seconds, attempts_limit, open_jobs_limit)
        super().__init__(client, "design", {name: getattr(scripts, name) for name in _SCRIPTS}, limits)
        self.shot_lists = ShotListStore(client, limits)
        self.fits = FitStore(client, limits)
        self._name = secrets.token_hex(8)
        self._packers: dict[str, RowPacker] = {}

    # ---- reading ---------------------------------------------------------------------------------------------------

    def ping(self) -> None:
        """Raise redis.exceptions.RedisError unless the server answers."""
        self.client.ping()

    def prepare(self) -> None:
        """Make the server ready for this program. Raises StoreUnfit, see fitness.py."""
        prepare(self.client)

    def fault(self) -> str | None:
        """Why the server must not be used at the moment, or None."""
        return fault_of(self.client)

    def live_workers(self) -> list[str]:
        """Names of the workers that gave a sign of life in the last few seconds."""
        oldest = self.now().timestamp() - WORKER_SILENCE_SECONDS
        return cast("list[str]", self.client.zrangebyscore(key_of("workers"), oldest, "+inf"))

    def get(self, design_id: str) -> Design:
        """The design as it stands. Raises DesignUnknown or DesignGone."""
        key = job_key(design_id)
        with self.client.pipeline() as pipe:
            pipe.hgetall(key)
            pipe.get(key_of(f"tombstone:{design_id}"))
            pipe.zrank(key_of("queued"), design_id)
            pipe.zrange(f"{key}:energy", 0, 0)
            pipe.lrange(f"{key}:given_up", 0, -1)
            row, tombstone, rank, best, given_up = pipe.execute()
        if not row:
            raise_missing_job(design_id, tombstone)
        if "plan" not in row:
            raise_outdated(design_id)
        # should all of the kept ones have been contradicted: the front starts with the least energy, too
        numbers = [int(number) for number in best] or json.loads(row["front"])[:1]
        return read_design(design_id, row, rank, next(iter(self.rows(design_id, numbers)), None), given_up)

    def designs(self, limit: int = 20, cursor: str | None = None, wanted: JobFilter = ANY) -> DesignPage:
        """Designs, newest first. Raises CursorInvalid."""
        found, following = self._page("designs", limit, cursor, wanted)
        return DesignPage(items=self._still_there(self.get, found), next_cursor=following)

    def candidates(
        self, design_id: str, limit: int = 50, cursor: str | None = None, only: Selection = "all"
    ) -> CandidatePage:
        """Candidates in the order they arrived; the front by stored energy, least first. Raises CursorInvalid."""
        after = 0 if cursor is None else open_number_cursor(cursor, only)
        if only == "front":
            numbers, place = self._front_page(design_id, limit, after)
        else:
            numbers, place = self._arrival_page(design_id, limit, after, feasible=only == "feasible")
        following = None if place is None else seal_cursor(only, str(place))
        return CandidatePage(items=self.rows(design_id, numbers), next_cursor=following)

    def all_candidates(self, design_id: str, only: Selection = "all") -> Iterator[list[Candidate]]:
        """All candidates in the same order, a few hundred at a time, so that memory does not grow with the design."""
        cursor = None
        while True:
            page = self.candidates(design_id, CHUNK, cursor, only)
            yield page.items
            cursor = page.next_cursor
            if cursor is None:
                return

    def candidate(self, design_id: str, number: int) -> Candidate:
        """One candidate. Raises CandidateUnknown. Its whole shot is worker.trial.shot_of(request, candidate)."""
        found = self._row(design_id, number)
        if found is None:
            self._require(design_id)
            raise CandidateUnknown(f"design {design_id} has no candidate {number}")
        return found

    def rows(self, design_id: str, numbers: Sequence[int]) -> list[Candidate]:
        """Those of the numbered candidates that exist, in the order asked for."""
        found = self._packed(design_id, numbers)
        if not any(found):
            return []
        packer = self._packer(design_id)
        return [packer.unpack(row) for row in found if row is not None]

    def misses(self, design_id: str) -> list[Miss]:
        """Reasons by how often they stopped a trial, most frequent first."""
        counts = cast("dict[str, str]", self.client.hgetall(f"{job_key(design_id)}:misses"))
        found = [
            Miss.model_validate({"reason": reason, "trials_count": int(count)})
            for reason, count in counts.items()
            if int(count) > 0
        ]
        return sorted(found, key=lambda miss: (-miss.trials_count, miss.reason))

    def nearest(self, design_id: str) -> Candidate | None:
        """The infeasible candidate of least violation."""
        found = cast("list[str]", self.client.zrange(f"{job_key(design_id)}:nearest", 0, 0))
        return self._row(design_id, int(found[0])) if found else None

    # ---- for the API: write ----------------------------------------------------------------------------------------

    def create(
        self,
        request: DesignRequest,
        idempotency_key: str | None = None,
        owner: str | None = None,
        *,
        body: str | None = None,
        bench: BenchUsed | None = None,
    ) -> Submission:
        """Row, first round's slots and idempotency record in one step.

        The same key with the same body within a day gives the same design. Raises IdempotencyConflict on another body,
        TooManyOpenJobs when the owner has too many. `body` is what was asked for when `bench` was named in it; else it
        is the request.
        """
        text = request.model_dump_json()
        plan = first_plan(request.budget_trials_count)
        outcome, design_id = self.run(
            "CREATE",
            new_id(),
            *idempotency_words(idempotency_key, body or text),
            *_time_words(request),
            text,
            _plan_text(plan),
            request.name,
            "" if bench is None else bench.model_dump_json(),
            owner or "",
            self._open_jobs_limit,
            software().model_dump_json(),
            *islands_of(plan, 0),
        )
        _raise_refused(outcome)
        return Submission(design_id=design_id, created=outcome == "created")

    def extend(self, design_id: str, budget: Budget, idempotency_key: str | None = None) -> Submission:
        """Continue a design that has succeeded with a larger total of trials, or until a later time.

        Its next round follows the last one that was run; what was found stays. The same idempotency key with the same
        budget within a day changes nothing. Raises DesignStillActive, DesignNotContinuable, BudgetRefused,
        IdempotencyConflict.
        """
        design = self.get(design_id)
        last = design.progress.round_number
        plan = longer_plan(design.plan, last, budget.budget_trials_count)
        continuations = json.dumps([b.model_dump(mode="json") for b in (*design.continuations, budget)])
        key = None if idempotency_key is None else f"{design_id} {idempotency_key}"
        more = plan[-1].trials_count
        islands = islands_of(plan, last + 1) if more is None or more > 0 else []
        outcome, _ = self.run(
            "CONTINUE",
            design_id,
            *idempotency_words(key, budget.model_dump_json()),
            *_time_words(budget),
            _plan_text(design.plan),
            _plan_text(plan),
            continuations,
            design.pace.model_copy(update={"still_rounds_count": 0}).model_dump_json(),
            last + 1,
            self._open_jobs_limit,
            *islands,
        )
        if outcome == "active":
            raise DesignStillActive(f"design {design_id} has not ended; continue it once it has succeeded")
        if outcome == "ended":
            raise DesignNotContinuable(f"design {design_id} is {self.get(design_id).state}; post a new one instead")
        if outcome == "little":
            done = trials_through(design.plan, last)
            raise BudgetRefused(
                f"the design has had {done} trials; its new total must be larger", "budget_trials_count", done + 1
            )
        if outcome == "changed":  # someone else continued it, and it has ended, in between
            return self.extend(design_id, budget, idempotency_key)
        if outcome == "unknown":
            self._require(design_id)
        _raise_refused(outcome)
        return Submission(design_id=design_id, created=outcome == "continued")

    def cancel(self, design_id: str) -> SlotName | None:
        """Ask the design to stop; an ended one stays as it is. Returns the closing when it is ready to be run."""
        return self.closing_of(design_id) if self._cancel(design_id) else None

    def delete(self, design_id: str) -> None:
        """Remove an ended design, leaving a tombstone. Raises DesignStillActive."""
        self._delete(design_id)

    def keep(self, design_id: str, expires_at: datetime | None) -> None:
        """Set until when an ended design is kept; None is for good. Raises DesignStillActive, ExpiryRefused."""
        self._keep(design_id, expires_at)

    # ---- for the workers -------------------------------------------------------------------------------------------

    def first_slots(self, design_id: str) -> list[SlotName]:
        """The islands of the round under way."""
        row = cast("list[str]", self.client.hmget(job_key(design_id), ["round", "islands"]))
        return [SlotName(job_id=design_id, round=int(row[0]), island=island) for island in range(int(row[1]))]

    def closing_of(self, design_id: str) -> SlotName:
        """The closing of the round under way."""
        number = cast("str", self.client.hget(job_key(design_id), "round"))
        return SlotName(job_id=design_id, round=int(number), island=None)

    def record(self, lease: Lease, rows: Sequence[Candidate] = ()) -> JobState | Literal["lost"]:
        """Extend the lease and add finished trials. Returns the design's state, or 'lost' when the lease is void."""
        answer = self.run("RECORD", *_lease_words(lease), self._lease_seconds, *self._row_words(lease, rows))
        return cast("JobState | Literal['lost']", answer)

    def note(self, lease: Lease, under_way: UnderWay) -> None:
        """Note what the slot is at, to be told should it end its worker."""
        self.run("NOTE", *_lease_words(lease), under_way.model_dump_json())

    def fill(
        self, lease: Lease, rows: Sequence[Candidate], settled: Sequence[Candidate]
    ) -> Literal["lost", "filled", "full"]:
        """End the island: add its last trials and put the settled ones in the place of the searched ones.

        Returns 'full' when it was the round's last island, so that the closing is ready to be run.
        """
        answer = self.run(
            "FILL",
            *_lease_words(lease),
            len(rows),
            *self._row_words(lease, rows),
            *self._revised_words(lease, settled, rows),
        )
        return cast("Literal['lost', 'filled', 'full']", answer)

    def close(
        self, lease: Lease, ending: Ending, next_islands: Sequence[int], plan: Sequence[Stage] | None = None
    ) -> str:
        """End the round: to the next one, or for good when `ending.state` is set. 'lost' when the lease is void.

        A `plan` takes the place of the one before.
        """
        fields = {
            "front": json.dumps(ending.front_numbers),
            "recommended": _text_or_empty(ending.recommended),
            "limiting": _text_or_empty(ending.limiting),
            "pace": ending.pace.model_dump_json(),
            "plan": "" if plan is None else _plan_text(plan),
            "ended_because": ending.ended_because or "",
            "ending": ending.ending or "",
        }
        revised = self._revised_words(lease, ending.revised)
        answer = self.run(
            "CLOSE",
            *_lease_words(lease),
            ending.state or "",
            *self._keep_words,
            len(fields),
            len(revised) // 6,
            *chain.from_iterable(fields.items()),
            *revised,
            *next_islands,
        )
        return cast("str", answer)

    def sweep(self) -> list[Due]:
        """Look after every slot that is due: give lost leases back, give up hopeless ones; returns those to be run.

        Each of them has to be sent and noted by `sent`. While one store sweeps regularly, the others find nothing.
        """
        words = self.run(
            "SWEEP",
            self._name,
            SWEEPER_SECONDS,
            self._attempts_limit,
            self._lease_seconds,
            QUEUE,
            *self._keep_words,
        )
        triples = zip(words[0::3], words[1::3], words[2::3], strict=True)
        return [Due(slot=read_slot(job_id, key), state=state) for job_id, key, state in triples]

    def worker_alive(self, name: str) -> None:
        """A worker's sign of life; the ones long gone are forgotten."""
        self.run("ALIVE", name, DAY_SECONDS)

    def worker_gone(self, name: str) -> None:
        """A worker said goodbye."""
        self.client.zrem(key_of("workers"), name)

    # ---- helpers ---------------------------------------------------------------------------------------------------

    def _row(self, design_id: str, number: int) -> Candidate | None:
        return next(iter(self.rows(design_id, [number])), None)

    def _packed(self, design_id: str, numbers: Sequence[int]) -> list[bytes | None]:
        """Packed rows as they are; None where there is none."""
        if not numbers:
            return []
        found = self.read_bytes("HMGET", f"{job_key(design_id)}:rows", *map(str, numbers))
        return cast("list[bytes | None]", found)

    def _packer(self, design_id: str, rows: Sequence[Candidate] = ()) -> RowPacker:
        """The packer of a design's rows; the first rows that are written become its sample."""
        if design_id not in self._packers:
            key = f"{job_key(design_id)}:sample"
            sample = self.run("SAMPLE", design_id, sample_of(rows)) if rows else self.client.get(key)
            if sample is None:
                return RowPacker("")
            if len(self._packers) >= MOST_PACKERS:
                self._packers.clear()
            self._packers[design_id] = RowPacker(cast("str", sample))
        return self._packers[design_id]

    def _row_words(self, lease: Lease, rows: Sequence[Candidate]) -> list[str | bytes]:
        """What the scripts need of each row: number, reason, what it is ranked by, packed row, shots."""
        if not rows:
            return []
        packer = self._packer(lease.slot.job_id, rows)
        return list(chain.from_iterable(_words_of(packer, row, row.shots_count) for row in rows))

    def _revised_words(
        self, lease: Lease, revised: Sequence[Candidate], fresh: Sequence[Candidate] = ()
    ) -> list[str | bytes]:
        """The same for rows that take the place of others, with the reason that the old one had.

        Only the holder of the lease changes those rows, and the scripts do nothing once it is void.
        """
        if not revised:
            return []
        design_id = lease.slot.job_id
        old = {row.number: row for row in (*self.rows(design_id, [row.number for row in revised]), *fresh)}
        packer = self._packer(design_id, revised)
        known = [row for row in revised if row.number in old]
        words: list[str | bytes] = []
        for row in known:
            before = old[row.number]
            words += [*_words_of(packer, row, row.shots_count - before.shots_count), before.reason or ""]
        return words

    def _arrival_page(self, design_id: str, limit: int, after: int, *, feasible: bool) -> tuple[list[int], int | None]:
        """Numbers from a place in the order of arrival on, and the place to go on from if there are more."""
        self._require(design_id)
        bits = self._feasible_bits(design_id) if feasible else None
        found: list[tuple[int, int]] = []
        block = _BLOCK if feasible else limit + 1
        while len(found) <= limit:
            numbers = cast("list[str]", self.client.lrange(f"{job_key(design_id)}:order", after, after + block - 1))
            places = enumerate(map(int, numbers), start=after)
            found += [(place, number) for place, number in places if bits is None or _is_set(bits, number)]
            after += len(numbers)
            if len(numbers) < block:
                break
        following = found[limit][0] if len(found) > limit else None
        return [number for _, number in found[:limit]], following

    def _feasible_bits(self, design_id: str) -> bytes:
        return cast("bytes | None", self.read_bytes("GET", f"{job_key(design_id)}:feasible")) or b""

    def _front_page(self, design_id: str, limit: int, after: int) -> tuple[list[int], int | None]:
        numbers = self.get(design_id).front_numbers
        end = after + limit
        return numbers[after:end], end if len(numbers) > end else None


def _text_or_empty(record: Recommendation | Limiting | None) -> str:
    return "" if record is None else record.model_dump_json()


def _lease_words(lease: Lease) -> tuple[str, str, int]:
    return lease.slot.job_id, lease.slot.key, lease.attempt


def _words_of(packer: RowPacker, row: Candidate, shots: int) -> tuple[str, str, str, bytes, str]:
    """Number, reason or '', stored energy or else violation, packed row, shots spent on it since it was written."""
    measure = row.violation_ratio
    if row.feasible:
        assert row.objectives is not None, "a feasible candidate has been weighed"
        measure = row.objectives.stored_energy_j
    return (
        str(row.number),
        "" if row.feasible else row.reason or "model_fault",
        repr(measure),
        packer.pack(row),
        str(shots),
    )


def _is_set(bits: bytes, number: int) -> bool:
    """Whether the bit of a number is set, counted as SETBIT counts."""
    return number // 8 < len(bits) and bool(bits[number // 8] >> (7 - number % 8) & 1)


def _plan_text(plan: Sequence[Stage]) -> str:
    return json.dumps([stage.model_dump() for stage in plan])


def _time_words(budget: Budget) -> tuple[str | float, str | float]:
    """Deadline and duration in seconds, '' where none is given."""
    deadline = "" if budget.finish_by_at is None else budget.finish_by_at.timestamp()
    return deadline, budget.budget_duration_s or ""


def _raise_refused(outcome: str) -> None:
    raise_refused(outcome)
    if outcome == "late":
        raise BudgetRefused("the time to finish by has passed already", "finish_by_at")


def raise_outdated(design_id: str) -> NoReturn:
    """Raise DesignGone for a design that an older version made."""
    raise DesignGone(f"design {design_id} was made by an older version, whose results cannot be read any more")

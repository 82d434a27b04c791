"""The Redis traffic of many workers whose shots cost nothing: `python -m tests.benchmarks.traffic`.

Plays workers as threads against a real private server with its append-only file on. Each has a watchdog's signs of life
and sweeps, fetches messages as the queue's library does, and goes through islands by the store's own calls: lease,
design, rows, a batch of finished trials each second, the filled island, the closed round. Only the packing and reading
of rows is left out, which every worker does on a core of its own, and the shots, which are waited for.

    --workers N      workers of one process each (default 1000)
    --trial-ms T     time of a trial; 0: as fast as the server can (default 20)
    --seconds S      how long (default 20)
    --designs N      designs at work (default: enough for all workers)
    --processes N    processes that play (default 2)
"""

from __future__ import annotations

import argparse
import multiprocessing
import random
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from redis import Redis

from tests.benchmarks.stand_in import SETTLED, endless_request
from tests.worker.realistic import realistic_candidate
from worker.codec import RowPacker, sample_of
from worker.connection import connect
from worker.embedded import embedded_server
from worker.plan import ROUND_ISLANDS, islands_of, numbers_of
from worker.records import Candidate, Ending, Lease, Pace, SlotName
from worker.store import QUEUE, Store
from worker.watchdog import SWEEP_SECONDS

MILLION = 1_000_000
#: Candidates on a front, and bytes of a message, as they are in a long design.
FRONT, MESSAGE_BYTES = 64, 900
BEAT_SECONDS = 1.0
#: Until all players are at work, and before the first of them stops, s.
SETTLING_S = 10.0

Times = dict[str, list[float]]


class _PackedOnce(RowPacker):
    """Gives every row the same bytes, about as many as a real one has, and every bytes the same row."""

    def __init__(self, rows: list[Candidate]) -> None:
        super().__init__(sample_of(rows))
        self._row = rows[-1]
        self._bytes = super().pack(self._row)

    def pack(self, candidate: Candidate) -> bytes:
        del candidate
        return self._bytes

    def unpack(self, row: bytes) -> Candidate:
        del row
        return self._row


class _PlayedStore(Store):
    """The store without the packing of rows."""

    def __init__(self, client: Redis, packer: RowPacker) -> None:
        super().__init__(client)
        self._once = packer

    def _packer(self, design_id: str, rows: Any = ()) -> RowPacker:
        del design_id, rows
        return self._once

    def read_rows(self, design_id: str, numbers: range) -> None:
        """Fetch rows without unpacking them."""
        self._packed(design_id, numbers)

    def _revised_words(self, lease: Lease, revised: Any, fresh: Any = ()) -> list[str | bytes]:
        """Settled rows were feasible before; their old rows are fetched all the same."""
        del fresh
        self._packed(lease.slot.job_id, [row.number for row in revised])
        return [word for row in revised for word in (*self._row_words(lease, [row]), "")]


class _PlayedWorker:
    """One worker: a thread that ticks each second and goes from island to island in between."""

    def __init__(self, name: str, client: Redis, rows: list[Candidate], trial_s: float, times: Times) -> None:
        self._name = name
        self._client = client
        self._store = _PlayedStore(client, _PackedOnce(rows))
        self._feasible = [row for row in rows if row.feasible][:SETTLED]
        self._rows = rows
        self._trial_s = trial_s
        self._times = times
        self._next_tick = time.monotonic() + random.random() * SWEEP_SECONDS

    def run(self, until: float) -> None:
        """Work until the clock says so."""
        while time.monotonic() < until:
            self._tick()
            slot = self._receive()
            if slot is None:
                continue
            for following in self._do(slot):
                self._timed("send", send, self._client, following)
                self._timed("sent", self._store.sent, following)
            self._timed("ack", acknowledge, self._client, slot.key + slot.job_id)

    def _timed(self, what: str, call: Callable[..., Any], *words: Any) -> Any:
        begun = time.perf_counter()
        answer = call(*words)
        self._times[what].append(time.perf_counter() - begun)
        return answer

    def _tick(self) -> None:
        """The watchdog's part."""
        if time.monotonic() < self._next_tick:
            return
        self._next_tick += SWEEP_SECONDS
        self._timed("alive", self._store.worker_alive, self._name)
        for due in self._timed("sweep", self._store.sweep):
            send(self._client, due.slot)
            self._store.sent(due.slot)

    def _receive(self) -> SlotName | None:
        """A message, as the queue's library takes it."""
        found = self._client.brpop([QUEUE], timeout=1)
        if found is None:
            return None
        message = str(found[1])
        design_id, key, _ = message.split(" ", 2)
        number, island = key.split("/")
        self._timed("unacked", note_unacked, self._client, key + design_id, message)
        return SlotName(job_id=design_id, round=int(number), island=int(island))

    def _do(self, slot: SlotName) -> list[SlotName]:
        """An island, and the closing when it was the last one."""
        lease = self._timed("lease", self._store.lease, slot)
        if lease is None:
            return []
        plan = self._timed("get", self._store.get, slot.job_id).plan
        numbers = numbers_of(plan, slot)
        self._timed("rows", self._store.read_rows, slot.job_id, numbers)
        self._timed("rows", self._store.read_rows, slot.job_id, range(FRONT))
        rows = [self._rows[n % len(self._rows)].model_copy(update={"number": n}) for n in numbers]
        batch = len(rows) if self._trial_s == 0 else max(1, min(len(rows), round(BEAT_SECONDS / self._trial_s)))
        while len(rows) > batch:
            self._wait(batch * self._trial_s)
            first, rows = rows[:batch], rows[batch:]
            self._timed("record", self._store.record, lease, first)
        self._wait(len(rows) * self._trial_s)
        settled = [row.model_copy(update={"number": n}) for row, n in zip(self._feasible, numbers, strict=False)]
        if self._timed("fill", self._store.fill, lease, rows, settled) != "full":
            return []
        return self._close(slot)

    def _close(self, slot: SlotName) -> list[SlotName]:
        closing = slot.model_copy(update={"island": None})
        lease = self._timed("lease", self._store.lease, closing)
        if lease is None:
            return []
        plan = self._timed("get", self._store.get, slot.job_id).plan
        self._timed("rows", self._store.read_rows, slot.job_id, numbers_of(plan, closing))
        ending = Ending(
            front_numbers=list(range(FRONT)),
            recommended=None,
            limiting=None,
            pace=Pace(round_lengths_s=[1.0] * 5),
            ended_because=None,
            state=None,
        )
        islands = islands_of(plan, slot.round + 1)
        self._timed("close", self._store.close, lease, ending, islands)
        return self._store.first_slots(slot.job_id)

    def _wait(self, seconds: float) -> None:
        """As long as the trials take; the watchdog goes on meanwhile."""
        until = time.monotonic() + seconds
        while (left := min(until, self._next_tick) - time.monotonic()) > 0 or time.monotonic() < until:
            time.sleep(max(left, 0.0))
            self._tick()


def send(client: Redis, slot: SlotName) -> None:
    """Put a message on the queue."""
    client.lpush(QUEUE, f"{slot.job_id} {slot.key} ".ljust(MESSAGE_BYTES, "x"))


def note_unacked(client: Redis, tag: str, message: str) -> None:
    """What the queue's library does after it has taken a message."""
    with client.pipeline() as pipe:
        pipe.zadd("unacked_index", {tag: time.time()})
        pipe.hset("unacked", tag, message)
        pipe.execute()


def acknowledge(client: Redis, tag: str) -> None:
    """What it does when the message is done."""
    with client.pipeline() as pipe:
        pipe.zrem("unacked_index", tag)
        pipe.hdel("unacked", tag)
        pipe.execute()


def play(url: str, workers: int, trial_s: float, until: float, results: Any) -> None:
    """One process of players; puts the times of its calls into `results`."""
    dice = random.Random(1)
    rows = [realistic_candidate(number, dice) for number in range(200)]
    times: Times = defaultdict(list)
    name = f"{multiprocessing.current_process().pid}"
    played = [_PlayedWorker(f"{name}-{n}", connect(url), rows, trial_s, times) for n in range(workers)]
    threads = [threading.Thread(target=worker.run, args=(until,), daemon=True) for worker in played]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    results.put(dict(times))


def main() -> None:
    """Play and print what was measured."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--workers", type=int, default=1000)
    parser.add_argument("--trial-ms", type=float, default=20.0)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--designs", type=int)
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, embedded_server(Path(folder)) as server:
        designs = options.designs or options.workers // ROUND_ISLANDS * 3 // 2 + 1
        run(server.url, options.workers, designs, options.trial_ms / 1e3, options.seconds, options.processes)
        sweep_costs(server.url)


def run(url: str, workers: int, designs: int, trial_s: float, seconds: float, processes: int) -> None:
    """Let all workers play for so long."""
    client, store = connect(url), Store(connect(url))
    for _ in range(designs):
        for slot in store.first_slots(store.create(endless_request(MILLION)).design_id):
            send(client, slot)
            store.sent(slot)
    context = multiprocessing.get_context("spawn")
    results = context.Queue()
    until = time.monotonic() + seconds + 2 * SETTLING_S
    words = (url, workers // processes, trial_s, until, results)
    players = [context.Process(target=play, args=words) for _ in range(processes)]
    for player in players:
        player.start()
    time.sleep(SETTLING_S)
    before = reading(client)
    waits_ms = probe(client, seconds)
    after = reading(client)
    all_times = [results.get() for _ in players]
    for player in players:
        player.join()
    spent = {name: after[name] - before[name] for name in after}
    print(f"{workers} workers, {designs} designs, a trial takes {trial_s * 1e3:g} ms")
    print(f"  {spent['trials'] / spent['s']:.0f} trials/s, {spent['calls'] / spent['s']:.0f} calls/s")
    print(f"  the server needs {spent['cpu_s'] / spent['s']:.0%} of one core")
    print(f"  its file grows by {spent['file_bytes'] / spent['s'] / 1e6:.1f} MB/s")
    middle, slow = np.percentile(waits_ms, [50, 99])
    print(f"  one more client, which does nothing else, waits {middle:.2f} ms for an answer, {slow:.1f} ms in 1 of 100")
    print_times(all_times, seconds + 2 * SETTLING_S)


def probe(client: Redis, seconds: float) -> list[float]:
    """What the simplest call takes meanwhile, ms: the server's share of the players' times below."""
    waits, until = [], time.monotonic() + seconds
    while time.monotonic() < until:
        begun = time.perf_counter()
        client.ping()
        waits.append((time.perf_counter() - begun) * 1e3)
        time.sleep(0.01)
    return waits


def reading(client: Redis) -> dict[str, float]:
    """Counters of the server as they stand."""
    found: dict[str, Any] = client.info("all")
    with client.pipeline(transaction=False) as pipe:
        for name in client.zrange("shotwright:designs", 0, -1):
            pipe.hget(f"shotwright:design:{name!s}", "finished")
        finished = pipe.execute()
    return {
        "s": time.monotonic(),
        "cpu_s": found["used_cpu_user"] + found["used_cpu_sys"],
        "calls": found["total_commands_processed"],
        "file_bytes": found["aof_current_size"],
        "trials": float(sum(map(int, finished))),
    }


def print_times(all_times: list[Times], seconds: float) -> None:
    """Rate and latency of each kind of call, as the players saw it, who share their cores with each other."""
    print(f"  {'call':<8} {'a second':>9} {'median ms':>10} {'99 % ms':>8}")
    for what in sorted({name for times in all_times for name in times}):
        found = np.concatenate([times.get(what, []) for times in all_times]) * 1e3
        middle, slow = np.percentile(found, [50, 99])
        print(f"  {what:<8} {len(found) / seconds:9.0f} {middle:10.2f} {slow:8.2f}")


def sweep_costs(url: str) -> None:
    """Time of the server for a sweep, by the one who sweeps and by another, while all slots are leased or waiting."""
    client, first, second = connect(url), Store(connect(url)), Store(connect(url))
    while client.get("shotwright:sweeper"):
        time.sleep(0.2)
    client.delete(QUEUE)
    slots = client.zcard("shotwright:due")
    for name, store in (("the one who sweeps", first), ("another", second)):
        first.sweep()
        calls, begun = 500, float(client.info("cpu")["used_cpu_user"])
        clock = time.perf_counter()
        for _ in range(calls):
            store.sweep()
        took = (time.perf_counter() - clock) / calls
        cpu = (float(client.info("cpu")["used_cpu_user"]) - begun) / calls
        print(f"  a sweep with {slots} slots by {name}: {took * 1e6:.0f} us, {cpu * 1e6:.0f} us of the server")


if __name__ == "__main__":
    main()

"""GET /metrics, in the text format of Prometheus."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from fastapi import APIRouter, Request, Response
from prometheus_client import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector
from redis.exceptions import RedisError

from api.health.http_metrics import collected
from api.problems import stated
from worker.operation import Operation

router = APIRouter(tags=["health"])


@router.get(
    "/metrics",
    summary="Counts and gauges for Prometheus",
    response_class=Response,
    responses=stated() | {200: {"content": {"text/plain": {"schema": {"type": "string"}}}}},
)
def metrics(request: Request) -> Response:
    """The same from each process of the service: the search is told by the store, HTTP by a folder that all share.

    While the store is away `shotwright_store_up` is 0 and its figures are left out.
    """
    registry = collected()
    text = generate_latest(registry) + generate_latest(_OnlyStore(request.app.state.read_operation))
    return Response(text, headers={"Content-Type": CONTENT_TYPE_LATEST, "Cache-Control": "no-store"})


class _OnlyStore(Collector):
    """What the store tells, read when it is asked for."""

    def __init__(self, read: Callable[[], Operation]) -> None:
        self._read = read

    def collect(self) -> Iterator[Metric]:
        try:
            found = self._read()
        except RedisError:
            yield GaugeMetricFamily("shotwright_store_up", _UP, 0)
            return
        yield GaugeMetricFamily("shotwright_store_up", _UP, 1)
        yield CounterMetricFamily("shotwright_trials", "Trials that were finished and stored.", found.trials)
        yield CounterMetricFamily("shotwright_trial_shots", "Model runs that stored trials took.", found.shots)
        yield CounterMetricFamily(
            "shotwright_attempts", "Leases of islands, closings of rounds, slices of lists and fits.", found.attempts
        )
        yield _labelled(
            CounterMetricFamily, "shotwright_islands", "Islands by how they ended.", "ending", found.islands_ended
        )
        yield CounterMetricFamily("shotwright_designs_created", "Designs that were accepted.", found.designs_created)
        yield _labelled(
            CounterMetricFamily, "shotwright_designs_ended", "Designs by how they ended.", "status", found.designs_ended
        )
        yield _labelled(
            GaugeMetricFamily, "shotwright_designs", "Designs that have not ended.", "status", found.designs
        )
        yield from _lists(found)
        yield from _records_and_fits(found)
        yield GaugeMetricFamily("shotwright_queue_messages", "Messages that wait for a worker.", found.queue_messages)
        yield GaugeMetricFamily("shotwright_workers", "Workers with a recent sign of life.", found.workers)
        yield GaugeMetricFamily(
            "shotwright_oldest_queued_seconds",
            "How long the next job has waited; 0 if none does.",
            found.oldest_queued_s,
        )


def _lists(found: Operation) -> Iterator[Metric]:
    def counters(name: str, words: str, label: str, values: dict[str, int]) -> Metric:
        return _labelled(CounterMetricFamily, f"shotwright_{name}", words, label, values)

    yield CounterMetricFamily("shotwright_shot_lists_created", "Lists that were accepted.", found.shot_lists_created)
    yield counters("shot_lists_ended", "Lists of shots by how they ended.", "status", found.shot_lists_ended)
    yield counters("slices", "Slices of lists by how they ended.", "ending", found.slices_ended)
    yield counters("list_shots", "Shots of lists by what became of them.", "state", found.list_shots)
    yield _labelled(
        GaugeMetricFamily, "shotwright_shot_lists", "Lists that have not ended.", "status", found.shot_lists
    )


def _records_and_fits(found: Operation) -> Iterator[Metric]:
    yield CounterMetricFamily("shotwright_records_created", "Records of fired shots.", found.records_created)
    yield CounterMetricFamily("shotwright_traces_kept", "Traces that came with them.", found.traces_kept)
    yield CounterMetricFamily("shotwright_fits_created", "Fits that were accepted.", found.fits_created)
    yield _labelled(CounterMetricFamily, "shotwright_fits_ended", "Fits by how they ended.", "status", found.fits_ended)
    yield _labelled(GaugeMetricFamily, "shotwright_fits", "Fits that have not ended.", "status", found.fits)


_UP = "1 when the store answers."


def _labelled(
    family: type[CounterMetricFamily | GaugeMetricFamily], name: str, words: str, label: str, values: dict[str, int]
) -> Metric:
    found = family(name, words, labels=[label])
    for value, count in values.items():
        found.add_metric([value], count)
    return found

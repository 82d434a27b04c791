"""`python -m api.demo`: one design from start to end on this machine, then everything stops.

Starts store, service and worker, posts `demo_design.json` over HTTP, watches it, and prints the answer.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import httpx

from api import demo_report, examples
from api.designs.representations import CandidateDetail, CandidateList, DesignDetail
from api.launch import LaunchError, Service, Stopped, free_port, running, stopping_on_signals
from api.terminal import Progress, StartProgress, bar
from worker.embedded import ServerUnavailable
from worker.request import DesignRequest
from worker.settings import Settings, settings_or_exit

_HOST = "127.0.0.1"
_PATIENCE_S = 600.0
_POLL_S = 0.5
_ENDED = ("succeeded", "failed", "cancelled")


class DemoError(RuntimeError):
    """The demo did not come to its end; the text says why."""


def main() -> int:
    """Exit code 0 when the demo came to its end, 1 when something failed, 130 when it was interrupted."""
    argparse.ArgumentParser(prog="python -m api.demo", description=__doc__).parse_args()
    try:
        with stopping_on_signals(), tempfile.TemporaryDirectory(prefix="shotwright-demo-") as folder:
            _run(settings_or_exit(state_folder=Path(folder)))
    except Stopped as signal_name:
        print(f"\nStopped by {signal_name}.", file=sys.stderr)
        return 130
    except (LaunchError, ServerUnavailable, DemoError, httpx.HTTPError) as problem:
        print(f"\nThe demo failed: {problem}", file=sys.stderr)
        return 1
    return 0


def _run(settings: Settings) -> None:
    begun_s = time.monotonic()
    progress = StartProgress()
    with running(settings, _HOST, free_port(_HOST), progress) as service:
        progress.done(f"service, worker and store are running at {service.address}")
        with httpx.Client(base_url=service.address, timeout=60.0, trust_env=False) as client:
            _say("THE QUESTION", *demo_report.request_lines(DesignRequest.model_validate(examples.DESIGN)))
            path = _post(client, examples.DESIGN)
            design = _watch(client, service, path)
            _report(client, design)
    _say("", f"Everything is stopped. The demo took {time.monotonic() - begun_s:.0f} s.")
    _say("", "To go on: `make run` serves at http://127.0.0.1:8460 (page /, documentation /docs) until Ctrl-C.")


def _post(client: httpx.Client, body: dict[str, Any]) -> str:
    answer = _checked(client.post("/v1/designs", json=body))
    print(f"\nPOST /v1/designs answered {answer.status_code}, Location: {answer.headers['Location']}", flush=True)
    return answer.headers["Location"]


def _watch(client: httpx.Client, service: Service, path: str) -> DesignDetail:
    """Poll until the design has ended."""
    progress, begun_s = Progress(), time.monotonic()
    while True:
        design = _read(client, path)
        count, elapsed_s = design.progress, time.monotonic() - begun_s
        assert count.budget_trials_count is not None, "the demo asks for a number of trials"
        best = f", best so far {design.best.stored_energy_j:.0f} J" if design.best else ""
        settling = count.finished_trials_count == count.budget_trials_count and design.status not in _ENDED
        doing = "; best again on finer meshes" if settling else ""
        words = f"{bar(count.finished_trials_count, count.budget_trials_count)} trials, {elapsed_s:.0f} s{best}{doing}"
        if design.status in _ENDED:
            progress.done(words)
            return design
        progress.show(words)
        _check_alive(service, elapsed_s)
        time.sleep(_POLL_S)


def _read(client: httpx.Client, path: str) -> DesignDetail:
    return DesignDetail.model_validate_json(_checked(client.get(path)).content)


def _check_alive(service: Service, elapsed_s: float) -> None:
    ended = service.ended_part()
    if ended is not None:
        raise DemoError(f"the {ended.name} ended by itself; its last words:\n{ended.last_words()}")
    if elapsed_s > _PATIENCE_S:
        raise DemoError(f"the design did not end within {_PATIENCE_S:.0f} s")


def _report(client: httpx.Client, design: DesignDetail) -> None:
    if design.status != "succeeded":
        raise DemoError(f"the design {design.status}: {design.failure}")
    if design.recommended is None:
        raise DemoError("\n".join(["nothing is feasible.", *demo_report.limiting_lines(design)]))
    front = CandidateList.model_validate_json(_checked(client.get(f"{design.links.front}&limit=1000")).content)
    _say("THE TRADE-OFF: little energy, little voltage, much margin", *demo_report.front_lines(front.items))
    _say("", *demo_report.paragraph(f"* Recommended: {design.recommended.reason}"))
    answer = _checked(client.get(design.recommended.candidate.link))
    detail = CandidateDetail.model_validate_json(answer.content)
    assert detail.result is not None, "a recommended candidate has been run"
    _say("THE RECOMMENDED SHOT", *demo_report.shot_lines(detail))
    _say("HAZARDS (estimates) AND CAUTIONS", *demo_report.hazard_lines(detail.result.hazards))


def _checked(answer: httpx.Response) -> httpx.Response:
    if answer.is_error:
        raise DemoError(
            f"{answer.request.method} {answer.request.url.path} answered {answer.status_code}: {answer.text}"
        )
    return answer


def _say(title: str, *lines: str) -> None:
    print("\n".join([f"\n{title}" if title else "", *lines]), flush=True)


if __name__ == "__main__":
    sys.exit(main())

"""`python -m tests.api.fuzz --seconds 600`: made-up requests to a real service, single and in sequence, for a time.

Every operation of the published contract is asked in all manners that the tool knows: examples, edges of each schema,
random good and bad input, and sequences in which later requests use what earlier ones made.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from api.launch import free_port, running
from worker.settings import Settings

ROOT = Path(__file__).parents[2]
#: Left out: whether a body that fits the schema is accepted, as rules between fields are not in the schema.
CHECKS = (
    "not_a_server_error,status_code_conformance,content_type_conformance,response_headers_conformance,"
    "response_schema_conformance,negative_data_rejection,missing_required_header,unsupported_method,"
    "allow_header_conformance,use_after_free,ensure_resource_availability"
)


#: One request at a time in all manners, and sequences of requests.
SINGLE, SEQUENCES = "examples,coverage,fuzzing", "stateful"


def fuzz(
    address: str, seconds: int, seed: int, folder: Path, phases: str = f"{SINGLE},{SEQUENCES}"
) -> subprocess.CompletedProcess[str]:
    """Ask the service at `address` for about so many seconds; the exit code is 0 when no check failed."""
    words = ["-m", "schemathesis.cli", "run", f"{address}/openapi.json", "--checks", CHECKS, "--max-time", str(seconds)]
    words += ["--phases", phases]
    words += ["--seed", str(seed), "--no-shrink", "--generation-database", "none", "--warnings", "off", "--no-color"]
    environment = os.environ | {"SCHEMATHESIS_HOOKS": "tests.api.fuzz_hooks", "PYTHONPATH": str(ROOT)}
    return subprocess.run(
        [sys.executable, *words],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=10 * seconds + 60,
        check=False,
    )


def main() -> int:
    """Fuzz a service of its own; prints what was found."""
    parser = argparse.ArgumentParser(prog="python -m tests.api.fuzz", description=__doc__)
    parser.add_argument("--seconds", type=int, default=600)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    os.environ["SHOTWRIGHT_RATE_PER_MINUTE"] = "0"
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings(redis_url=None, state_folder=Path(folder) / "state")
        with running(settings, "127.0.0.1", free_port("127.0.0.1"), lambda *_: None) as service:
            done = fuzz(service.address, options.seconds, options.seed, Path(folder))
    print(done.stdout + done.stderr)
    return done.returncode


if __name__ == "__main__":
    sys.exit(main())

"""`python -m physics`: run one shot and print its result, draw a gallery of it, or list the materials."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path

from pydantic import ValidationError

from physics.example import EXAMPLE
from physics.hazards import CAUTIONS
from physics.schema import field_problems
from physics.shot import Shot, check_shot
from physics.simulate import simulate_shot

_DESCRIPTION = """\
Compute one shot of a capacitor bank through a coil round a workpiece: current, field, forces, heat,
the part's final size, the coil's burst. Reads the shot as JSON (SI units, the unit stands at the end of
each name) and prints the result as JSON.

  python -m physics gallery OUT [--shot FILE] [--png]   draws a shot: waveforms, field, sizes, heat, energy, section
  python -m physics materials                           prints the material library with its sources"""


def _epilog() -> str:
    cautions = "\n".join(f"  - {caution}" for caution in CAUTIONS)
    return f"Example of a shot:\n{json.dumps(EXAMPLE, indent=1)}\n\nCautions:\n{cautions}"


def main(arguments: list[str] | None = None) -> int:
    """Run the command; returns the exit code: 0 computed, 1 not converged, 2 wrong input."""
    given = sys.argv[1:] if arguments is None else arguments
    command = _COMMANDS.get(given[0]) if given else None
    return _shot(given) if command is None else command(given[1:])


def _shot(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m physics",
        description=_DESCRIPTION,
        epilog=_epilog(),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("shot", help="file with the shot as JSON, or - for standard input")
    shot = _read(parser.parse_args(arguments).shot)
    if shot is None:
        return 2
    result = simulate_shot(shot)
    print(result.model_dump_json(indent=2))
    return 1 if result.status == "not_converged" else 0


def _gallery(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m physics gallery", description="Draw a shot into a folder, as SVG.")
    parser.add_argument("folder", type=Path, help="where to write; made if it is not there")
    parser.add_argument("--shot", help="file with the shot as JSON, or -; without it an example is drawn")
    parser.add_argument("--png", action="store_true", help="write PNG as well")
    chosen = parser.parse_args(arguments)
    shot = check_shot(EXAMPLE) if chosen.shot is None else _read(chosen.shot)
    if shot is None:
        return 2
    from physics.gallery.pictures import write_gallery

    try:
        written = write_gallery(shot, chosen.folder, png=chosen.png)
    except (OSError, ValueError) as error:
        print(f"{chosen.folder}: {error}", file=sys.stderr)
        return 1
    for path in written:
        print(path)
    return 0


def _materials(arguments: list[str]) -> int:
    argparse.ArgumentParser(prog="python -m physics materials", description="Print the material library.").parse_args(
        arguments
    )
    from physics.material_page import material_page

    print(material_page(), end="")
    return 0


_COMMANDS: dict[str, Callable[[list[str]], int]] = {"gallery": _gallery, "materials": _materials}


def _read(path: str) -> Shot | None:
    """The shot in a file; None after saying what is wrong with it."""
    try:
        text = sys.stdin.read() if path == "-" else Path(path).read_text(encoding="utf-8")
        return check_shot(_object(text))
    except (OSError, UnicodeDecodeError) as error:
        reasons = [str(error)]
    except ValidationError as error:
        reasons = [str(problem) for problem in field_problems(error, Shot)]
    except (TypeError, ValueError) as error:
        reasons = [str(error)]
    print(f"{path}: not a valid shot", file=sys.stderr)
    for reason in reasons:
        print(f"  {reason}", file=sys.stderr)
    return None


def _object(text: str) -> dict[str, object]:
    try:
        document = json.loads(text)
    except json.JSONDecodeError as error:
        raise ValueError(f"not JSON: {error.msg} at line {error.lineno}, column {error.colno}") from None
    if not isinstance(document, dict):
        raise TypeError("a shot is a JSON object with bank, coil, gap_m and workpiece")
    return document


if __name__ == "__main__":
    raise SystemExit(main())

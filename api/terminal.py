"""Progress on a terminal, and as a few plain lines where there is none."""

from __future__ import annotations

import shutil
import sys
import time

_BAR_WIDTH = 32
_PLAIN_EVERY_S = 5.0


class Progress:
    """One line that is overwritten on a terminal; elsewhere a line every few seconds."""

    def __init__(self) -> None:
        self._is_terminal = sys.stderr.isatty()
        self._shown = ""
        self._shown_at_s = float("-inf")

    def show(self, text: str) -> None:
        """Show `text` as the present state."""
        if self._is_terminal:
            sys.stderr.write(f"\r\x1b[2K{text[: shutil.get_terminal_size().columns - 1]}")
        elif text != self._shown and time.monotonic() - self._shown_at_s >= _PLAIN_EVERY_S:
            sys.stderr.write(f"{text}\n")
        else:
            return
        sys.stderr.flush()
        self._shown, self._shown_at_s = text, time.monotonic()

    def done(self, text: str) -> None:
        """Leave `text` as the last state; the next one starts on a line of its own."""
        sys.stderr.write(f"\r\x1b[2K{text}\n" if self._is_terminal else f"{text}\n")
        sys.stderr.flush()
        self._shown, self._shown_at_s = "", float("-inf")


def bar(finished: int, total: int) -> str:
    """`[####....] 12 of 40`."""
    filled = _BAR_WIDTH * finished // max(total, 1)
    return f"[{'#' * filled}{'.' * (_BAR_WIDTH - filled)}] {finished} of {total}"


class StartProgress:
    """Says what the start, or the stop, is waiting for."""

    def __init__(self) -> None:
        self._progress = Progress()

    def __call__(self, what: str, elapsed_s: float) -> None:
        """The callback of `launch.running`."""
        if what == "stop":
            self._progress.done("\nstopping what was started; work under way is handed back ...")
            return
        self._progress.show(f"{what} ... {elapsed_s:.0f} s")

    def done(self, text: str) -> None:
        """The start is over."""
        self._progress.done(text)

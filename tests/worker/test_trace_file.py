"""Files of oscilloscopes: what is read from them in all spellings, and what is refused with its reason."""

from __future__ import annotations

import time

import numpy as np
import pytest

from physics.waveform import TraceRefused
from physics.waveform.thinning import thinned
from worker.kept_trace import MOST_KEPT, pack, unpack
from worker.trace_file import MOST_POINTS, read_columns

POINTS = [(-1e-6, 0.5), (0.0, -0.25), (1e-6, 3.0)]


@pytest.mark.parametrize(
    ("file", "names"),
    [
        (b"-1e-6,0.5\n0,-0.25\n1e-6,3\n", None),
        (b"\xef\xbb\xbftime,current\r\n-1e-6,0.5\r\n0,-0.25\r\n1e-6,3", None),
        (b"Model,X1\nBandwidth,20 MHz\n\nt,CH1,CH2\ns,V,V\n-1e-6,9,0.5\n0,9,-0.25\n1e-6,9,3\n", ("t", "CH2")),
        (b'"t";"Strom in kA"\n-0,000001;0,5\n0;-0,25\n1e-6;3,0\n', None),
        (b"CH2\tt\n0.5\t-1e-6\n-0.25\t0\n3\t1e-6\n\n\n", ("t", "CH2")),
        (b" t , I \n -1e-6 , 0.5 ,\n 0 , -0.25 ,\n 1e-6 , 3 ,\n", ("t", "I")),
        ("µs,µA\r-1e-6,0.5\r0,-0.25\r1e-6,3\r".encode("latin-1"), None),
        (b'"t","I"\n"-1e-6","0.5"\n"0","-0.25"\n"1e-6","3"\n', ("t", "I")),
    ],
)
def test_columns_are_found_in_any_spelling(file: bytes, names: tuple[str, str] | None) -> None:
    """Words above, other columns, quotes, blanks, tabs, semicolons with decimal commas, any end of line."""
    found = np.column_stack(read_columns(file, names))
    assert found.tolist() == [list(point) for point in POINTS]


@pytest.mark.parametrize(
    ("file", "names", "reason", "words"),
    [
        (b"", None, "no_numbers", "no line"),
        (b"t,I\na,b\n", None, "no_numbers", "both columns"),
        (b"\x89PNG\r\n\x1a\n\0\0\0", None, "no_numbers", "both columns"),
        (b"1,2\n" * 5, ("t", "I"), "no_column", "'t' and 'I'"),
        (b"t,I\n0,1\n1,2\n2,oops\n3,4\n", None, "not_a_number", "'oops' is no number, about line 4"),
        (b"t,I\n0,1\n1\n2,3\n", None, "not_a_number", "a column is missing, about line 3"),
    ],
)
def test_file_without_two_columns_of_numbers_is_refused(
    file: bytes, names: tuple[str, str] | None, reason: str, words: str
) -> None:
    """The reason is named, and the place in the file where there is one."""
    with pytest.raises(TraceRefused, match=words) as refused:
        read_columns(file, names)
    assert refused.value.reason == reason


def test_million_points_are_read_and_one_more_is_refused() -> None:
    """A file of the greatest length comes whole, in well below what a request may take; a longer one is refused."""
    lines = [f"{1e-9 * place:.9e},{place % 251}" for place in range(MOST_POINTS)]
    began_s = time.thread_time()
    seconds, value = read_columns("\n".join(lines).encode())
    assert time.thread_time() - began_s < 10.0
    assert seconds.size == MOST_POINTS
    assert value.sum() == sum(place % 251 for place in range(MOST_POINTS))
    with pytest.raises(TraceRefused) as refused:
        read_columns("\n".join([*lines, "1,1"]).encode())
    assert refused.value.reason == "too_long"


@pytest.mark.parametrize("size", [20_000, 20_001, 123_457, 1_000_000])
def test_thinned_trace_keeps_every_peak(size: int) -> None:
    """Single spikes, the ends and the order of time survive; what is kept is as it was."""
    seconds = np.linspace(0.0, 1e-3, size)
    value = np.sin(2e4 * seconds)
    spikes = np.random.default_rng(3).choice(size, 40, replace=False)
    value[spikes[:20]] += 5.0
    value[spikes[20:]] -= 5.0
    kept_s, kept = thinned(seconds, value, MOST_KEPT)
    assert kept.size <= MOST_KEPT
    assert (np.diff(kept_s) > 0.0).all()
    places = np.searchsorted(seconds, kept_s)
    assert (value[places] == kept).all()
    assert set(spikes) <= set(places)
    assert {0, size - 1} <= set(places)


def test_packed_column_comes_back_bit_for_bit() -> None:
    """Also where it is not finite or not normal."""
    column = np.array([0.0, -0.0, 1e-310, np.inf, np.nan, np.pi, -1e300])
    assert unpack(pack(column)).tobytes() == column.tobytes()
    assert unpack(pack(np.zeros(0))).size == 0
